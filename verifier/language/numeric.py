"""Checks and compiles arithmetic, functions, choices and earlier results."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal, DecimalException
from typing import TYPE_CHECKING

from verifier.language import kinds, screen, titers, tree
from verifier.language.kinds import PERCENT, PLAIN, Kind
from verifier.language.referencechange import reference_change
from verifier.language.scene import (
    ARITHMETIC,
    TRANSCENDENTAL,
    Quantity,
    Scene,
    computed,
    logarithm,
    power,
    unusable,
)
from verifier.language.spelled import spelled
from verifier.language.symbols import FUNCTIONS, HISTORIES
from verifier.language.truth import Missing, Unknown
from verifier.language.typed import Typed, broken, facts_of, missing_of

if TYPE_CHECKING:
    from verifier.language.expressions import Expressions, Where

_WORK = {
    "+": ARITHMETIC.add,
    "-": ARITHMETIC.subtract,
    "*": ARITHMETIC.multiply,
    "/": ARITHMETIC.divide,
    "pow": power,
}
_ONE: dict[str, Callable[[Decimal], Decimal]] = {
    "ln": logarithm,
    "exp": TRANSCENDENTAL.exp,
    "sqrt": TRANSCENDENTAL.sqrt,
}
LONGEST_WINDOW = timedelta(days=3660)


class Numeric:
    """The part of the walk over expressions that yields numbers."""

    def __init__(self, expressions: Expressions) -> None:
        self._all = expressions

    def arithmetic(self, node: tree.Arithmetic, where: Where) -> Typed:
        left, right = self._all.quantity(node.left, where), self._all.quantity(node.right, where)
        if left.broken or right.broken:
            return broken(node.span)
        if node.operator in "+-":
            if left.constant is not None and right.constant is None:
                left = self._all.fitted(left, right)
            else:
                right = self._all.fitted(right, left)
            if left.broken or right.broken:
                return broken(node.span)
            if titers.worked([left, right], "sums or differences", node.span, self._all.findings):
                return broken(node.span)
            kind = right.kind if left.kind.bare else left.kind
        else:
            kind = kinds.product(left.kind, right.kind, 1 if node.operator == "*" else -1)
        made = self._two(node, _WORK[node.operator], left, right, kind)
        if kind.what == "number" and not kind.dimension and kind.scale != 1:
            return self._all.fitted(made, Typed(node.span, PLAIN, made.run))  # (mg/dL) / (umol/L)
        return made

    def _two(
        self,
        node: tree.Expression,
        work: Callable[[Decimal, Decimal], Decimal],
        left: Typed,
        right: Typed,
        kind: Kind,
    ) -> Typed:
        label = spelled(node)
        apply, first, second = computed(work, label), left.run, right.run
        both = (left, right)
        operator = node.operator if isinstance(node, tree.Arithmetic) else ""
        sketch = screen.worked(operator, left, right)
        return Typed(
            node.span, kind, lambda scene: apply(first(scene), second(scene)), label,
            facts_of(both), missing_of(both), sketch=sketch,
        )  # fmt: skip

    def negative(self, node: tree.Negative, where: Where) -> Typed:
        operand = self._all.quantity(node.operand, where)
        if operand.broken:
            return operand
        if titers.worked([operand], "sign", node.span, self._all.findings):
            return broken(node.span)
        if isinstance(operand.constant, Decimal):
            value = operand.constant.copy_negate()
            return Typed(node.span, operand.kind, lambda scene: value, constant=value)
        return self._one(node, operand, lambda value: value.copy_negate(), operand.kind)

    def _one(
        self,
        node: tree.Expression,
        operand: Typed,
        work: Callable[[Decimal], Decimal],
        kind: Kind,
    ) -> Typed:
        label, run = spelled(node), operand.run

        def apply(scene: Scene) -> Quantity:
            value = run(scene)
            if not isinstance(value, Decimal):
                return unusable(label, value)
            try:
                return work(value)
            except DecimalException:
                return Unknown(Missing(label, "not computable", f"{label} can not be computed"))

        return Typed(node.span, kind, apply, label, operand.facts, operand.missing)

    # --- functions ---

    def call(self, node: tree.Call, where: Where) -> Typed:
        name = node.function
        if name in HISTORIES:
            self._wrong(
                node, f"{name} asks for a test and a window", f"{name}(potassium within 7 days)"
            )
            return broken(node.span)
        if name == "preceding":
            self._wrong(node, "preceding asks for a test", "preceding(potassium)")
            return broken(node.span)
        if name not in FUNCTIONS:
            self._all.findings.unknown_name(node.span, name, FUNCTIONS + HISTORIES, "function")
            return broken(node.span)
        parts = [self._all.quantity(part, where) for part in node.arguments]
        if any(part.broken for part in parts):
            return broken(node.span)
        if name in ("min", "max"):
            return self._least_or_most(node, parts)
        if titers.worked(parts, name, node.span, self._all.findings):
            return broken(node.span)
        if name == "round":
            return self._rounded(node, parts)
        wanted = 2 if name == "pow" else 1
        if len(parts) != wanted:
            self._wrong(node, f"{name} takes {wanted} number{'s' * (wanted > 1)}", _EXAMPLES[name])
            return broken(node.span)
        if name == "abs":
            return self._one(node, parts[0], abs, parts[0].kind)
        fitted = [self._dimensionless(part, name) for part in parts]
        if any(part.broken for part in fitted):
            return broken(node.span)
        if name == "pow":
            return self._two(node, _WORK["pow"], fitted[0], fitted[1], PLAIN)
        return self._one(node, fitted[0], _ONE[name], PLAIN)

    def _wrong(self, node: tree.Expression, message: str, fix: str) -> None:
        self._all.findings.add("R209", node.span, message, fix=fix)

    def _dimensionless(self, part: Typed, name: str) -> Typed:
        if part.kind.bare:
            return part
        if part.kind.dimension:
            self._all.findings.add(
                "R203", part.span, f"{name} takes a plain number, not {kinds.shown(part.kind)}",
                fix="divide by a quantity of the same unit first",
            )  # fmt: skip
            return broken(part.span)
        return self._all.fitted(part, Typed(part.span, PLAIN, part.run))

    def _least_or_most(self, node: tree.Call, parts: list[Typed]) -> Typed:
        if len(parts) < 2:
            self._wrong(
                node, f"{node.function} takes two numbers or more", _EXAMPLES[node.function]
            )
            return broken(node.span)
        anchor = next((part for part in parts if part.constant is None), parts[0])
        fitted = [part if part is anchor else self._all.fitted(part, anchor) for part in parts]
        if any(part.broken for part in fitted):
            return broken(node.span)
        label = spelled(node)
        choose = min if node.function == "min" else max
        runs = tuple(part.run for part in fitted)

        def apply(scene: Scene) -> Quantity:
            values = [run(scene) for run in runs]
            if all(value.__class__ is Decimal for value in values):
                return choose(values)  # type: ignore[no-any-return]
            return unusable(label, *values)

        return Typed(
            node.span, anchor.kind, apply, label, facts_of(fitted), missing_of(fitted)
        )  # fmt: skip

    def _rounded(self, node: tree.Call, parts: list[Typed]) -> Typed:
        digits = parts[1].constant if len(parts) == 2 else None
        if not isinstance(digits, Decimal) or digits not in range(11):
            self._wrong(
                node, "round takes a number and the decimals, 0 to 10", "round(anion_gap, 1)"
            )
            return broken(node.span)
        return self._one(node, parts[0], rounding(int(digits)), parts[0].kind)

    # --- choices ---

    def choose(self, node: tree.Choose, where: Where) -> Typed:
        condition = self._all.truth(node.condition, where)
        then, otherwise = (self._all.quantity(n, where) for n in (node.then, node.otherwise))
        if then.broken or otherwise.broken or condition.broken:
            return broken(node.span)
        if then.constant is not None and otherwise.constant is None:
            then = self._all.fitted(then, otherwise)
        else:
            otherwise = self._all.fitted(otherwise, then)
        if then.broken or otherwise.broken:
            return broken(node.span)
        test, yes, no = condition.run, then.run, otherwise.run

        def apply(scene: Scene) -> Quantity:
            truth = test(scene)
            if truth is True:
                return yes(scene)  # type: ignore[no-any-return]
            return no(scene) if truth is False else truth  # type: ignore[no-any-return]

        parts = (condition, then, otherwise)
        label = spelled(node)
        return Typed(node.span, then.kind, apply, label, facts_of(parts), missing_of(parts))

    # --- literature and time ---

    def reference_change(self, node: tree.ReferenceChange, where: Where) -> Typed:
        value = reference_change(node, self._all.findings)
        if value is None:
            return broken(node.span)
        return Typed(node.span, PERCENT, lambda scene: value, spelled(node), constant=value)

    def period(self, node: tree.Amount | tree.Name) -> timedelta | None:
        """Return a time span, or note that the amount, or the parameter, is none."""
        amount = self._all.amount_of(node)
        if amount is None:
            return None
        seconds = kinds.PERIODS.get(kinds.singular(amount.unit or ""))
        if seconds is None or not 0 < amount.value * seconds <= int(LONGEST_WINDOW.total_seconds()):
            message = "a time span is in minutes, hours, days or weeks, up to 10 years"
            known = self._all.symbols.parameters
            given = known.get(node.name) if isinstance(node, tree.Name) else None
            if given and kinds.is_time(amount.unit) and not amount.value > 0:
                return None  # said where the parameter stands
            self._all.findings.add(
                "R203", node.span, message, fix="within 7 days",
                related=[given.value.span] if given else [],
            )  # fmt: skip
            return None
        return timedelta(seconds=float(amount.value * seconds))


def rounding(digits: int) -> Callable[[Decimal], Decimal]:
    """Return rounding to a number of decimals, halves away from zero."""
    step = Decimal(1).scaleb(-digits)
    return lambda value: value.quantize(step, rounding=ROUND_HALF_UP, context=ARITHMETIC)


_EXAMPLES = {
    "abs": "abs(change(potassium within 3 days))",
    "exp": "exp(1)",
    "ln": "ln(2)",
    "max": "max(sodium, 140 mmol/L)",
    "min": "min(sodium, 140 mmol/L)",
    "pow": "pow(creatinine / 80 umol/L, 2)",
    "sqrt": "sqrt(2)",
}
