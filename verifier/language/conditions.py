"""Checks and compiles conditions: comparisons, limits, the patient, and, or, not."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

from verifier.language import comparing, facttexts, kinds, logic, patients, screen, tree
from verifier.language.fitting import limit_words
from verifier.language.kinds import TRUTH
from verifier.language.source import Span
from verifier.language.truth import Unknown
from verifier.language.typed import Typed, broken, checks_of, facts_of, missing_of

if TYPE_CHECKING:
    from verifier.language.expressions import Expressions, Where


class Conditions:
    """The part of the walk over expressions that yields truths."""

    def __init__(self, expressions: Expressions) -> None:
        self._all = expressions
        self._findings, self._symbols = expressions.findings, expressions.symbols

    def compare(self, node: tree.Compare, where: Where) -> Typed:
        left, right = self._all.typed(node.left, where), self._all.typed(node.right, where)
        if left.broken or right.broken:
            return broken(node.span)
        if "age" in (left.kind.what, right.kind.what):
            return self._compare_age(node, left, right)
        if isinstance(node.left, tree.SpecimenAge) or isinstance(node.right, tree.SpecimenAge):
            return self._all.specimen_ages.compared(node.operator, left, right, node.span)
        return self._compared(node.operator, left, right, node.span)

    def _compared(self, sign: str, left: Typed, right: Typed, span: Span) -> Typed:
        left = self._all.must_be(left, "number", "a number")
        right = right if left.broken else self._all.must_be(right, "number", "a number")
        if left.broken or right.broken:
            return broken(span)
        if left.constant is not None and right.constant is None:
            left = self._all.fitted(left, right)
        else:
            right = self._all.fitted(right, left)
        if left.broken or right.broken:
            return broken(span)
        label, present = left.label or right.label, left.kind.present or right.kind.present
        worked = screen.is_worked(left) or screen.is_worked(right)
        if isinstance(right.constant, Decimal):
            run = comparing.comparison_with(
                sign, left.run, right.constant, label, present, worked=worked
            )
        else:
            run = comparing.comparison(sign, left.run, right.run, label, present, worked=worked)
        return Typed(
            span, TRUTH, run, label, facts_of((left, right)), missing_of((left, right)),
            sketch=screen.compared(sign, left, right),
        )  # fmt: skip

    def _compare_age(self, node: tree.Compare, left: Typed, right: Typed) -> Typed:
        given = right.kind.what == "period"  # a time as written, or a parameter
        amount = self._all.amount_of(node.right) if given else None
        unit = kinds.singular(amount.unit or "") if isinstance(amount, tree.Amount) else ""
        whole = isinstance(amount, tree.Amount) and amount.value == amount.value.to_integral_value()
        if left.kind.what != "age" or unit not in kinds.AGES or not whole:
            self._findings.add(
                "R203", node.span, "an age is compared with whole days, weeks, months or years",
                fix="age >= 18 years",
            )  # fmt: skip
            return broken(node.span)
        if node.operator not in (">=", "<"):
            self._findings.add(
                "R205", node.span, "an age is compared with >= or <",
                meaning="“over 17 years” can mean the day after the 17th or the 18th birthday.",
                fix="age >= 18 years and age < 65 years",
            )  # fmt: skip
            return broken(node.span)
        assert isinstance(amount, tree.Amount)
        if amount.value > 200_000:
            self._findings.add(
                "R209", node.right.span, "nobody gets that old", fix="age >= 18 years"
            )
            return broken(node.span)
        run = patients.age_reached(int(amount.value), kinds.SPANS[unit], node.operator == ">=")
        facts = facts_of((left, right))
        return Typed(node.span, TRUTH, run, "age", facts, left.missing)

    def is_between(self, node: tree.IsBetween, where: Where) -> Typed:
        parts = [self._all.typed(part, where) for part in (node.operand, node.low, node.high)]
        if any(part.broken for part in parts):
            return broken(node.span)
        if parts[0].kind.what == "age":
            self._findings.add(
                "R205", node.span, "`is between` leaves open whether the last birthday counts",
                fix="age >= 1 year and age < 5 years",
            )  # fmt: skip
            return broken(node.span)
        operand, low, high = parts
        if isinstance(node.operand, tree.SpecimenAge):
            if isinstance(node.low, tree.Amount) and isinstance(node.high, tree.Amount):
                unit = node.low.unit or node.high.unit  # between 1 and 8 hours
                low = self._all.typed(replace(node.low, unit=unit), where)
            return self._all.specimen_ages.between(operand, low, high, node.span)
        if low.kind.bare and not high.kind.bare and high.kind.what == "number":
            low = Typed(low.span, high.kind, low.run, constant=low.constant)  # 3.0 and 5.0 mmol/L
        least = self._compared(">=", operand, low, node.span)
        most = self._compared("<=", operand, high, node.span)
        if least.broken or most.broken:
            return broken(node.span)
        run = logic.every((least.run, most.run))
        both = (least, most)
        return Typed(
            node.span, TRUTH, run, operand.label, facts_of(both), missing_of(both),
            sketch=screen.chained("and", both),
        )  # fmt: skip

    def is_known(self, node: tree.IsKnown, where: Where) -> Typed:
        operand = self._all.typed(node.operand, where)
        if operand.broken:
            return operand
        timed = operand.kind.what in ("age", "period")
        if timed and not isinstance(node.operand, tree.SpecimenAge):
            self._findings.add("R205", node.span, "this is always known or never asked for")
            return broken(node.span)
        run = operand.run
        return Typed(
            node.span, TRUTH, lambda scene: not isinstance(run(scene), Unknown), operand.label,
            operand.facts, sure_if_true=operand.missing,
        )  # fmt: skip

    def limit_test(self, node: tree.LimitTest | tree.ChangedTooMuch, where: Where) -> Typed:
        operand = self._all.typed(node.operand, where)
        if operand.broken:
            return operand
        name = where.test if isinstance(node.operand, tree.TheResult) else ""
        name = node.operand.name if isinstance(node.operand, tree.Name) else name
        if name not in self._symbols.kinds:
            self._findings.add("R205", node.span, "limits belong to a test or to `result`")
            return broken(node.span)
        kind = node.kind if isinstance(node, tree.LimitTest) else "change"
        check = self._all.tables.check(name, kind, operand.run)
        if check is None:
            if isinstance(node.operand, tree.Name):
                self._findings.add(
                    "R305", node.span, f"{name} has no {limit_words(kind)}", severity="warning",
                    meaning="this is never true.", fix=f"limits for {name} …",
                )  # fmt: skip
            return Typed(node.span, TRUTH, lambda scene: False, operand.label, constant=False)
        missing = operand.missing | ({f"an earlier {name}"} if kind == "change" else set())
        facts = operand.facts
        if kind == "change":
            facts = (*facts, self._all.tables.earlier_fact(name))
        return Typed(
            node.span, TRUTH, check.truth, operand.label, facts, frozenset(missing), checks=(check,)
        )  # fmt: skip

    # --- the patient and the specimen ---

    def sex_is(self, node: tree.SexIs, where: Where) -> Typed:
        sex = patients.SEXES.get(node.sex)
        if sex is None:
            self._findings.unknown_name(node.span, node.sex, patients.SEXES, "sex")
            return broken(node.span)
        facts = (facttexts.sex(),)
        return Typed(node.span, TRUTH, patients.sex_is(sex), "sex", facts, frozenset({"sex"}))

    def specimen_is(self, node: tree.SpecimenIs, where: Where) -> Typed:
        known = self._symbols.specimens()
        if known and node.type not in known:
            self._findings.unknown_name(node.span, node.type, known, "specimen type")
            return broken(node.span)
        run = patients.specimen_is(node.type)
        facts = (facttexts.specimen(),)
        return Typed(node.span, TRUTH, run, "specimen", facts, frozenset({"specimen type"}))

    def attribute_is(self, node: tree.AttributeIs, where: Where) -> Typed:
        run = patients.attribute_is(node.attribute, node.value)
        facts = (facttexts.attribute(node.attribute),)
        return Typed(node.span, TRUTH, run, node.attribute, facts, frozenset({node.attribute}))

    # --- and, or, not ---

    def all_of(self, node: tree.AllOf, where: Where) -> Typed:
        parts = [self._all.truth(part, where) for part in node.parts]
        if any(part.broken for part in parts):
            return broken(node.span)
        sure = frozenset[str]().union(*(part.sure_if_true for part in parts))
        constant = False if any(part.constant is False for part in parts) else None
        return Typed(
            node.span, TRUTH, logic.every([part.run for part in parts]), "", facts_of(parts),
            missing_of(parts) - sure, sure_if_true=sure, constant=constant, checks=checks_of(parts),
            sketch=screen.chained("and", parts),
        )  # fmt: skip

    def any_of(self, node: tree.AnyOf, where: Where) -> Typed:
        parts = [self._all.truth(part, where) for part in node.parts]
        if any(part.broken for part in parts):
            return broken(node.span)
        sure = frozenset[str]().union(*(part.sure_if_false for part in parts))
        missing = missing_of(parts) - sure
        constant = False if all(part.constant is False for part in parts) else None
        return Typed(
            node.span, TRUTH, logic.some([part.run for part in parts]), "", facts_of(parts),
            missing, sure_if_false=sure, constant=constant, checks=checks_of(parts),
            sketch=screen.chained("or", parts),
        )  # fmt: skip

    def negation(self, node: tree.Not, where: Where) -> Typed:
        part = self._all.truth(node.operand, where)
        if part.broken:
            return part
        return Typed(
            node.span, TRUTH, logic.negated(part.run), part.label, part.facts, part.missing,
            part.sure_if_false, part.sure_if_true,
            constant=None if part.constant is None else not part.constant, checks=part.checks,
            sketch=screen.joined("(not {})", part),
        )  # fmt: skip
