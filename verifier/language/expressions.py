"""Checks expressions and compiles them to closures, in one walk.

Units, names and arguments are settled here, so that nothing is looked up or converted by name when
a case is judged. An expression that is found wrong is reported once and absorbs what follows.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any

from verifier.facts.values import Between
from verifier.language import comparing, facttexts, kinds, logic, patients, tree
from verifier.language.findings import Findings
from verifier.language.kinds import AGE, BARE, PERIOD, PLAIN, TRUTH, Kind
from verifier.language.limits import LimitTables
from verifier.language.numeric import Numeric
from verifier.language.scene import ARITHMETIC, Quantity, Scene
from verifier.language.source import Span
from verifier.language.symbols import Symbols, note_unknown_unit
from verifier.language.truth import Unknown
from verifier.language.typed import Typed, broken, checks_of, facts_of, missing_of


@dataclass(frozen=True, slots=True)
class Where:
    """Where an expression stands, and so what it may speak of.

    `test` is the test of `result` ("" where there is none); `lets` are local names; `exact` uses
    derived results before rounding; `patient_only` allows nothing but patient and specimen.
    """

    test: str = ""
    lets: Mapping[str, Typed] = field(default_factory=dict)
    exact: bool = False
    patient_only: bool = False


class Expressions:
    """Checks and compiles expressions against the names of one rule set."""

    def __init__(self, symbols: Symbols, tables: LimitTables, findings: Findings) -> None:
        self.symbols, self.tables, self.findings = symbols, tables, findings
        self.numeric = Numeric(self)
        self._by_node: dict[type, Callable[[Any, Where], Typed]] = {
            tree.Amount: self._amount,
            tree.Name: self._name,
            tree.TheResult: self._the_result,
            tree.Age: self._age,
            tree.Arithmetic: self.numeric.arithmetic,
            tree.Negative: self.numeric.negative,
            tree.Call: self.numeric.call,
            tree.Choose: self.numeric.choose,
            tree.History: self.numeric.history,
            tree.Compare: self._compare,
            tree.IsBetween: self._is_between,
            tree.IsKnown: self._is_known,
            tree.LimitTest: self._limit_test,
            tree.ChangedTooMuch: self._limit_test,
            tree.SexIs: self._sex_is,
            tree.SpecimenIs: self._specimen_is,
            tree.AttributeIs: self._attribute_is,
            tree.AllOf: self._all_of,
            tree.AnyOf: self._any_of,
            tree.Not: self._not,
        }

    def typed(self, node: tree.Expression, where: Where) -> Typed:
        """Check and compile any expression."""
        return self._by_node[type(node)](node, where)

    def truth(self, node: tree.Expression, where: Where) -> Typed:
        """Check and compile what must be a condition."""
        found = self.typed(node, where)
        return found if found.broken else self._must_be(found, "truth", "a condition")

    def quantity(self, node: tree.Expression, where: Where) -> Typed:
        """Check and compile what must be a number."""
        found = self.typed(node, where)
        return found if found.broken else self._must_be(found, "number", "a number")

    def _must_be(self, found: Typed, what: str, words: str) -> Typed:
        if found.kind.what == what:
            return found
        hint = "compare it: >= 5 mmol/L" if what == "truth" else ""
        message = f"this is {kinds.shown(found.kind)}, not {words}"
        self.findings.add("R205", found.span, message, fix=hint)
        return broken(found.span)

    # --- what is named ---

    def _amount(self, node: tree.Amount, where: Where) -> Typed:
        kind: Kind | None = BARE
        if node.unit is not None:
            word = kinds.singular(node.unit)
            if word in kinds.AGES or word in kinds.PERIODS:
                return Typed(node.span, PERIOD, lambda scene: None, label=node.unit)
            kind = kinds.number(node.unit)
        if kind is None:
            note_unknown_unit(node.span, node.unit or "", self.findings)
            return broken(node.span)
        value = node.value
        return Typed(node.span, kind, lambda scene: value, constant=value)

    def _name(self, node: tree.Name, where: Where) -> Typed:
        name = node.name
        if name in where.lets:
            return where.lets[name]
        if name in self.symbols.populations:
            facts = (facttexts.age(), facttexts.sex())
            run = lambda scene: scene.populations[name]  # noqa: E731
            return Typed(node.span, TRUTH, run, label=name, facts=facts)
        kind = self.symbols.kind(name)
        if kind is None:
            known = [*self.symbols.judged(), *self.symbols.populations, *where.lets]
            self.findings.unknown_name(node.span, name, known, "test, derived result or population")
            return broken(node.span)
        if where.patient_only and kind.what != "broken":
            self.findings.add(
                "R205", node.span, "a population speaks of the patient and specimen only",
                meaning="limits could otherwise depend on the results they judge.",
                fix="use age, sex, specimen or attribute",
            )  # fmt: skip
            return broken(node.span)
        if name not in self.symbols.tests and name not in self.symbols.derived:
            return broken(node.span)
        return Typed(
            node.span,
            kind,
            self._reader(name, where),
            label=self.symbols.title(name),
            facts=(facttexts.named(self.symbols, name),),
            missing=frozenset() if name == where.test else frozenset({name}),
        )

    def _reader(self, name: str, where: Where) -> Callable[[Scene], Quantity]:
        if where.exact and name in self.symbols.derived:

            def read_exact(scene: Scene) -> Quantity:
                worked = scene.values[name]  # works it out, and keeps the exact value beside it
                return scene.exact.get(name, worked)

            return read_exact
        return lambda scene: scene.values[name]

    def _the_result(self, node: tree.TheResult, where: Where) -> Typed:
        if not where.test:
            self.findings.add(
                "R210", node.span, "there is no single `result` here",
                meaning="a rule without `for` looks at the specimen; formulas name their tests.",
                fix="name the test, or write `for every test`",
            )  # fmt: skip
            return broken(node.span)
        kind = self.symbols.kind(where.test) or kinds.BROKEN
        facts = (facttexts.the_result(self.symbols, where.test),)
        title = self.symbols.title(where.test)
        return Typed(node.span, kind, lambda scene: scene.result, label=title, facts=facts)

    def _age(self, node: tree.Age, where: Where) -> Typed:
        facts, missing = (facttexts.age(),), frozenset({"age"})
        if not node.in_years:
            return Typed(node.span, AGE, lambda scene: None, "age", facts, missing)
        return Typed(node.span, PLAIN, _years, "age", facts, missing)

    # --- comparisons ---

    def _compare(self, node: tree.Compare, where: Where) -> Typed:
        left, right = self.typed(node.left, where), self.typed(node.right, where)
        if left.broken or right.broken:
            return broken(node.span)
        if "age" in (left.kind.what, right.kind.what):
            return self._compare_age(node, left)
        return self._compared(node.operator, left, right, node.span)

    def _compared(self, sign: str, left: Typed, right: Typed, span: Span) -> Typed:
        left = self._must_be(left, "number", "a number")
        right = right if left.broken else self._must_be(right, "number", "a number")
        if left.broken or right.broken:
            return broken(span)
        if left.constant is not None and right.constant is None:
            left = self.fitted(left, right)
        else:
            right = self.fitted(right, left)
        if left.broken or right.broken:
            return broken(span)
        label = left.label or right.label
        if isinstance(right.constant, Decimal):
            run = comparing.comparison_with(sign, left.run, right.constant, label)
        else:
            run = comparing.comparison(sign, left.run, right.run, label)
        return Typed(
            span, TRUTH, run, label, facts_of((left, right)), missing_of((left, right))
        )  # fmt: skip

    def _compare_age(self, node: tree.Compare, left: Typed) -> Typed:
        amount = node.right
        unit = kinds.singular(amount.unit or "") if isinstance(amount, tree.Amount) else ""
        whole = isinstance(amount, tree.Amount) and amount.value == amount.value.to_integral_value()
        if left.kind.what != "age" or unit not in kinds.AGES or not whole:
            self.findings.add(
                "R203", node.span, "an age is compared with whole days, weeks, months or years",
                fix="age >= 18 years",
            )  # fmt: skip
            return broken(node.span)
        if node.operator not in (">=", "<"):
            self.findings.add(
                "R205", node.span, "an age is compared with >= or <",
                meaning="“over 17 years” can mean the day after the 17th or the 18th birthday.",
                fix="age >= 18 years and age < 65 years",
            )  # fmt: skip
            return broken(node.span)
        assert isinstance(amount, tree.Amount)
        if amount.value > 200_000:
            self.findings.add("R209", amount.span, "nobody gets that old", fix="age >= 18 years")
            return broken(node.span)
        run = patients.age_reached(int(amount.value), unit, node.operator == ">=")
        return Typed(node.span, TRUTH, run, "age", left.facts, left.missing)

    def _is_between(self, node: tree.IsBetween, where: Where) -> Typed:
        parts = [self.typed(part, where) for part in (node.operand, node.low, node.high)]
        if any(part.broken for part in parts):
            return broken(node.span)
        if parts[0].kind.what == "age":
            self.findings.add(
                "R205", node.span, "`is between` leaves open whether the last birthday counts",
                fix="age >= 1 year and age < 5 years",
            )  # fmt: skip
            return broken(node.span)
        operand, low, high = parts
        if low.kind.bare and not high.kind.bare and high.kind.what == "number":
            low = Typed(low.span, high.kind, low.run, constant=low.constant)  # 3.0 and 5.0 mmol/L
        least = self._compared(">=", operand, low, node.span)
        most = self._compared("<=", operand, high, node.span)
        if least.broken or most.broken:
            return broken(node.span)
        run = logic.every((least.run, most.run))
        both = (least, most)
        return Typed(node.span, TRUTH, run, operand.label, facts_of(both), missing_of(both))

    def fitted(self, found: Typed, target: Typed) -> Typed:
        """Return `found` converted to the unit of `target`, or note that they do not fit."""
        kind, wanted = found.kind, target.kind
        bare_against_unit = (kind.bare and not wanted.takes_bare) or (
            wanted.bare and not kind.takes_bare
        )
        if bare_against_unit:
            return self._needs_unit(found if kind.bare else target, wanted if kind.bare else kind)
        if kind.bare or wanted.bare:
            return found
        factor = kinds.ratio(kind, wanted)
        if factor is None:
            self._misfit(found, target)
            return broken(found.span)
        return scaled(found, factor, wanted)

    def _needs_unit(self, number: Typed, kind: Kind) -> Typed:
        words = self.findings.words(number.span)
        self.findings.add(
            "R204", number.span, f"{words} has no unit",
            meaning=f"it is put together with a quantity in {kinds.shown(kind)}.",
            fix=f"{words} {kind.unit}".rstrip(),
        )  # fmt: skip
        return broken(number.span)

    def _misfit(self, found: Typed, target: Typed) -> None:
        literal, other = (found, target) if found.constant is not None else (target, found)
        name = other.label or "the other side"
        hint = ""
        if isinstance(literal.constant, Decimal) and other.kind.unit:
            hint = f"{literal.constant} {other.kind.unit}, if that is the number you mean"
        self.findings.add(
            "R203", literal.span, f"{name} is in {kinds.shown(other.kind)}",
            meaning=f"{self.findings.words(literal.span)} would be set against another unit"
            f" ({kinds.shown(literal.kind)}), and no molar mass connects the two.",
            fix=hint,
        )  # fmt: skip

    def _is_known(self, node: tree.IsKnown, where: Where) -> Typed:
        operand = self.typed(node.operand, where)
        if operand.broken:
            return operand
        if operand.kind.what in ("age", "period"):
            self.findings.add("R205", node.span, "this is always known or never asked for")
            return broken(node.span)
        run = operand.run
        return Typed(
            node.span, TRUTH, lambda scene: not isinstance(run(scene), Unknown), operand.label,
            operand.facts, sure_if_true=operand.missing,
        )  # fmt: skip

    def _limit_test(self, node: tree.LimitTest | tree.ChangedTooMuch, where: Where) -> Typed:
        operand = self.typed(node.operand, where)
        if operand.broken:
            return operand
        name = where.test if isinstance(node.operand, tree.TheResult) else ""
        name = node.operand.name if isinstance(node.operand, tree.Name) else name
        if name not in self.symbols.kinds:
            self.findings.add("R205", node.span, "limits belong to a test or to `result`")
            return broken(node.span)
        kind = node.kind if isinstance(node, tree.LimitTest) else "change"
        check = self.tables.check(name, kind, operand.run)
        if check is None:
            return Typed(node.span, TRUTH, lambda scene: False, operand.label, constant=False)
        missing = operand.missing | ({f"an earlier {name}"} if kind == "change" else set())
        facts = operand.facts
        if kind == "change":
            facts = (*facts, self.tables.earlier_fact(name))
        return Typed(
            node.span, TRUTH, check.truth, operand.label, facts, frozenset(missing), checks=(check,)
        )  # fmt: skip

    # --- the patient and the specimen ---

    def _sex_is(self, node: tree.SexIs, where: Where) -> Typed:
        sex = patients.SEXES.get(node.sex)
        if sex is None:
            self.findings.unknown_name(node.span, node.sex, patients.SEXES, "sex")
            return broken(node.span)
        facts = (facttexts.sex(),)
        return Typed(node.span, TRUTH, patients.sex_is(sex), "sex", facts, frozenset({"sex"}))

    def _specimen_is(self, node: tree.SpecimenIs, where: Where) -> Typed:
        known = {kind for test in self.symbols.tests.values() for kind in test.specimens}
        if known and node.type not in known:
            self.findings.unknown_name(node.span, node.type, known, "specimen type")
            return broken(node.span)
        run = patients.specimen_is(node.type)
        facts = (facttexts.specimen(),)
        return Typed(node.span, TRUTH, run, "specimen", facts, frozenset({"specimen type"}))

    def _attribute_is(self, node: tree.AttributeIs, where: Where) -> Typed:
        run = patients.attribute_is(node.attribute, node.value)
        facts = (facttexts.attribute(node.attribute),)
        return Typed(node.span, TRUTH, run, node.attribute, facts, frozenset({node.attribute}))

    # --- and, or, not ---

    def _all_of(self, node: tree.AllOf, where: Where) -> Typed:
        parts = [self.truth(part, where) for part in node.parts]
        if any(part.broken for part in parts):
            return broken(node.span)
        sure = frozenset[str]().union(*(part.sure_if_true for part in parts))
        constant = False if any(part.constant is False for part in parts) else None
        return Typed(
            node.span, TRUTH, logic.every([part.run for part in parts]), "", facts_of(parts),
            missing_of(parts) - sure, sure_if_true=sure, constant=constant, checks=checks_of(parts),
        )  # fmt: skip

    def _any_of(self, node: tree.AnyOf, where: Where) -> Typed:
        parts = [self.truth(part, where) for part in node.parts]
        if any(part.broken for part in parts):
            return broken(node.span)
        sure = frozenset[str]().union(*(part.sure_if_false for part in parts))
        constant = False if all(part.constant is False for part in parts) else None
        return Typed(
            node.span, TRUTH, logic.some([part.run for part in parts]), "", facts_of(parts),
            missing_of(parts) - sure, sure_if_false=sure, constant=constant, checks=checks_of(parts),
        )  # fmt: skip

    def _not(self, node: tree.Not, where: Where) -> Typed:
        part = self.truth(node.operand, where)
        if part.broken:
            return part
        return Typed(
            node.span, TRUTH, logic.negated(part.run), part.label, part.facts, part.missing,
            part.sure_if_false, part.sure_if_true,
            constant=True if part.constant is False else None, checks=part.checks,
        )  # fmt: skip


def scaled(found: Typed, factor: Fraction, kind: Kind) -> Typed:
    """Return an expression multiplied by an exact factor, as a number of another kind."""
    if factor == 1:
        return found
    above, below = Decimal(factor.numerator), Decimal(factor.denominator)

    def times(value: Any) -> Any:
        if value.__class__ is Decimal:
            return ARITHMETIC.divide(ARITHMETIC.multiply(value, above), below)
        if isinstance(value, Between):
            low = None if value.low is None else times(value.low)
            high = None if value.high is None else times(value.high)
            return Between(low, high, value.low_included, value.high_included)
        return value

    run, constant = found.run, found.constant
    if isinstance(constant, Decimal):
        fixed = times(constant)
        return Typed(found.span, kind, lambda scene: fixed, found.label, constant=fixed)
    return Typed(
        found.span, kind, lambda scene: times(run(scene)), found.label, found.facts, found.missing
    )  # fmt: skip


def _years(scene: Scene) -> Quantity:
    birth = patients.birth_of(scene.case.patient)
    if isinstance(birth, Unknown):
        return birth
    first = patients.completed_years(birth.earliest, scene.birthday_on)
    last = patients.completed_years(birth.latest, scene.birthday_on)
    return Decimal(first) if first == last else patients.PARTIAL_BIRTH
