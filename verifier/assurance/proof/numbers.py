"""Numbers in expressions for the solver: names, arithmetic, functions, choices, earlier results."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal, DecimalException
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from verifier.assurance.proof.quantities import (
    NOTHING,
    Quantity,
    converted,
    either,
    number,
    worked,
)
from verifier.assurance.proof.reals import ONE, Term, Value, fixed, literal, ordered, scaled
from verifier.assurance.proof.truths import Bool, negated
from verifier.assurance.proof.typed import Place, Typed, UnencodedError
from verifier.facts.units import multiplied
from verifier.language import kinds, tree
from verifier.language.findings import Findings
from verifier.language.kinds import BARE, DAY, HOUR, PERCENT, PLAIN, Kind
from verifier.language.referencechange import reference_change
from verifier.language.scene import ARITHMETIC, TRANSCENDENTAL, logarithm, power

if TYPE_CHECKING:
    from verifier.assurance.proof.walk import Walk

_FUNCTIONS: dict[str, Callable[..., Decimal]] = {
    "ln": logarithm,
    "exp": TRANSCENDENTAL.exp,
    "sqrt": TRANSCENDENTAL.sqrt,
    "pow": power,
}
_RATES = {"rate per day": DAY, "rate per hour": HOUR}


class Numbers:
    """The part of the walk that yields numbers."""

    def __init__(self, walk: Walk) -> None:
        self._walk, self._names = walk, walk.names
        self._facts, self._reals = walk.facts, walk.reals
        self._by_node: dict[type, Callable[[Any, Place], Typed]] = {
            tree.Amount: lambda node, place: self._amount(node),
            tree.Name: self._name,
            tree.TheResult: lambda node, place: Typed(place.result, self._names.kind(place.test)),
            tree.Age: lambda node, place: Typed(self._facts.years(), PLAIN),
            tree.Preceding: self._preceding,
            tree.Arithmetic: self._arithmetic,
            tree.Negative: self._negative,
            tree.Call: self._call,
            tree.Choose: self._choose,
            tree.History: self._history,
            tree.ReferenceChange: self._reference_change,
        }

    def typed(self, node: tree.Expression, place: Place) -> Typed:
        """Return a number with its kind."""
        made = self._by_node.get(type(node))
        if made is None:
            raise UnencodedError(node, f"{type(node).__name__} is no number")
        return made(node, place)

    # --- names and units ---

    def _amount(self, node: tree.Amount) -> Typed:
        kind = BARE if node.unit is None else kinds.number(node.unit)
        if kind is None:
            raise UnencodedError(node, f"{node.unit} is no unit of a number")
        return Typed(number(node.value), kind, node.value)

    def _name(self, node: tree.Name, place: Place) -> Typed:
        name = node.name
        if name in place.lets:
            return place.lets[name]
        if name in self._names.parameters:
            return self._amount(self._names.parameters[name].value)
        value = self._walk.value_of(name, exact=place.exact)
        return Typed(value, self._names.kind(name))

    def _preceding(self, node: tree.Preceding, place: Place) -> Typed:
        name = node.test or place.test
        return Typed(self._facts.preceding(name), self._names.kind(name))

    def together(self, left: Typed, right: Typed) -> tuple[Typed, Typed]:
        """Return two numbers in one unit; a written one goes by the other."""
        if left.constant is not None and right.constant is None:
            return self.fitted(left, right.kind), right
        return left, self.fitted(right, left.kind)

    def fitted(self, found: Typed, wanted: Kind) -> Typed:
        """Return a number in the unit of another; a bare one is taken as it is."""
        return found if found.kind.bare or wanted.bare else self.in_kind(found, wanted)

    def in_kind(self, found: Typed, wanted: Kind) -> Typed:
        """Return a number converted to a kind."""
        factor = ONE if found.kind.bare else kinds.ratio(found.kind, wanted)
        assert factor is not None, "the checker compares nothing that does not fit"
        if factor == 1:
            return found
        if found.constant is not None:
            value = multiplied(found.constant, factor)
            return Typed(number(value), wanted, value)
        return Typed(converted(self._reals, found.quantity, factor), wanted)

    # --- arithmetic ---

    def _arithmetic(self, node: tree.Arithmetic, place: Place) -> Typed:
        left, right = self.typed(node.left, place), self.typed(node.right, place)
        if node.operator in "+-":
            left, right = self.together(left, right)
            kind = right.kind if left.kind.bare else left.kind
        else:
            kind = kinds.product(left.kind, right.kind, 1 if node.operator == "*" else -1)
        made = Typed(self._worked(node.operator, left.quantity, right.quantity), kind)
        if kind.what == "number" and not kind.dimension and kind.scale != 1:
            return self.fitted(made, PLAIN)
        return made

    def _worked(self, operator: str, left: Quantity, right: Quantity) -> Quantity:
        reals, a, b = self._reals, left.value, right.value
        if operator in "+-":
            sign = 1 if operator == "+" else -1
            return worked((left, right), lambda: reals.sum(a, b, sign))
        if operator == "*":
            return worked((left, right), lambda: reals.times(a, b))
        return self.quotient(left, right)

    def quotient(self, left: Quantity, right: Quantity) -> Quantity:
        """Return a quotient, unknown where it would divide by zero."""
        reals, a, b = self._reals, left.value, right.value
        possible = negated(reals.compare("=", b, literal(0)))
        if possible is False:
            return NOTHING
        return worked((left, right), lambda: reals.over(a, b), possible)

    def _negative(self, node: tree.Negative, place: Place) -> Typed:
        found = self.typed(node.operand, place)
        constant = None if found.constant is None else found.constant.copy_negate()
        if constant is not None:
            return Typed(number(constant), found.kind, constant)
        value = found.quantity
        return Typed(worked((value,), lambda: self._reals.negative(value.value)), found.kind)

    # --- functions ---

    def _call(self, node: tree.Call, place: Place) -> Typed:
        name, parts = node.function, [self.typed(part, place) for part in node.arguments]
        if name in ("min", "max"):
            return self._extreme(name, parts)
        first = parts[0]
        if name == "round":
            digits, value = int(parts[1].constant or 0), first.quantity
            made = worked((value,), lambda: self._reals.rounded(value.value, digits))
            return Typed(made, first.kind)
        if name == "abs":
            value = first.quantity
            return Typed(worked((value,), lambda: self._reals.size(value.value)), first.kind)
        plain = [part if part.kind.bare else self.fitted(part, PLAIN) for part in parts]
        return Typed(self._transcendental(name, [part.quantity for part in plain]), PLAIN)

    def _extreme(self, name: str, parts: list[Typed]) -> Typed:
        anchor = next((part for part in parts if part.constant is None), parts[0])
        fitted = [p if p is anchor else self.fitted(p, anchor.kind) for p in parts]
        reals, sign = self._reals, "<=" if name == "min" else ">="
        values = [part.quantity for part in fitted]

        def best() -> Value:
            found = values[0].value
            for other in values[1:]:
                found = reals.choose(reals.compare(sign, found, other.value), found, other.value)
            return found

        return Typed(worked(tuple(values), best), anchor.kind)

    def _transcendental(self, name: str, parts: list[Quantity]) -> Quantity:
        """Return a function of which nothing is said but where it has a value, and its sign."""
        if not all(part.exact is not False for part in parts):
            return NOTHING
        reals = self._reals
        terms = [reals.plain(part.value) for part in parts]
        if all(fixed(part) for part in terms):
            known = _worked_out(name, terms)
            return worked(tuple(parts), lambda: known.value, known.exact)
        made = reals.function(name, *terms)
        possible: Bool = True
        if name == "ln":
            possible = ordered(">", terms[0], Fraction(0))
        elif name == "sqrt":
            possible = ordered(">=", terms[0], Fraction(0))
        else:
            possible = reals.property(f"{name} has a value", *terms)
        reals.any_number(name)
        return worked(tuple(parts), lambda: Value(made), possible)

    def _choose(self, node: tree.Choose, place: Place) -> Typed:
        condition = self._walk.truth(node.condition, place)
        then, otherwise = self.typed(node.then, place), self.typed(node.otherwise, place)
        then, otherwise = self.together(then, otherwise)
        made = either(self._reals, condition, then.quantity, otherwise.quantity)
        return Typed(made, then.kind)

    # --- earlier results ---

    def window(self, node: tree.Amount | tree.Name) -> timedelta:
        """Return a window as written or as a parameter has it."""
        amount = self._names.amount(node)
        assert amount is not None
        seconds = amount.value * kinds.PERIODS[kinds.singular(amount.unit or "")]
        return timedelta(seconds=float(seconds))

    def _history(self, node: tree.History, place: Place) -> Typed:
        name = node.test or place.test
        kind, window = self._names.kind(name), self.window(node.window)
        if name not in self._names.tests:
            return Typed(NOTHING, kind)  # only measured results have a past
        if node.function in ("lowest", "highest", "median"):
            return Typed(self._facts.summary(name, node.function, window), kind)
        before = self._facts.previous(name, window)
        if node.function == "previous":
            return Typed(before, kind)
        now = place.result if node.test is None else self._walk.value_of(name)
        change = self._worked("-", now, before)
        if node.function == "change":
            return Typed(change, kind)
        if node.function == "percent change":
            hundred = change._replace(value=self._scaled(change, 100))
            return Typed(self.quotient(hundred, before), PERCENT)
        each = _RATES[node.function]
        ago = Quantity(before.exact, Value(self._facts.earlier(name).ago))
        return Typed(
            self.quotient(change._replace(value=self._scaled(change, each.scale)), ago),
            kinds.product(kind, each, -1),
        )

    def _scaled(self, found: Quantity, factor: int | Fraction) -> Value:
        above = found.value.above
        return Value(scaled(above, Fraction(factor)), found.value.below)

    def _reference_change(self, node: tree.ReferenceChange, place: Place) -> Typed:
        value = reference_change(node, Findings({}))
        assert value is not None
        return Typed(number(value), PERCENT, value)


def _worked_out(name: str, terms: list[Term]) -> Quantity:
    """Return what a function answers for numbers written in a rule."""
    given = (
        ARITHMETIC.divide(Decimal(part.numerator), Decimal(part.denominator)) for part in terms
    )
    try:
        return number(_FUNCTIONS[name](*given))
    except DecimalException:
        return NOTHING
