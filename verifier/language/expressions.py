"""Checks expressions and compiles them to closures, in one walk.

Units, names and arguments are settled here, so that nothing is looked up or converted by name when
a case is judged. An expression that is found wrong is reported once and absorbs what follows.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from verifier.facts.ages import age_range
from verifier.language import facttexts, kinds, patients, titers, tree
from verifier.language.conditions import Conditions
from verifier.language.findings import Findings
from verifier.language.histories import Histories
from verifier.language.kinds import AGE, BARE, PERIOD, PLAIN, TRUTH, Kind
from verifier.language.limits import LimitTables
from verifier.language.numeric import Numeric
from verifier.language.reach import Reach
from verifier.language.scene import Quantity, Scene
from verifier.language.screen import Read
from verifier.language.specimenage import SpecimenAges
from verifier.language.surroundings import Surroundings
from verifier.language.symbols import Symbols, note_unknown_unit
from verifier.language.truth import Unknown
from verifier.language.typed import FactOf, Typed, broken, scaled
from verifier.language.watching import Watch, watched


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

    def __init__(
        self, symbols: Symbols, tables: LimitTables, findings: Findings, watch: Watch | None = None
    ) -> None:
        self.symbols, self.tables, self.findings = symbols, tables, findings
        self._watch = watch
        self.reach = Reach()
        self.numeric, self.conditions = Numeric(self), Conditions(self)
        self.histories = Histories(self)
        self.specimen_ages, self.surroundings = SpecimenAges(self), Surroundings(self)
        self._by_node: dict[type, Callable[[Any, Where], Typed]] = {
            tree.Amount: self._amount,
            tree.Name: self._name,
            tree.TheResult: self._the_result,
            tree.Age: self._age,
            tree.Arithmetic: self.numeric.arithmetic,
            tree.Negative: self.numeric.negative,
            tree.Call: self.numeric.call,
            tree.Choose: self.numeric.choose,
            tree.History: self.histories.typed,
            tree.ReferenceChange: self.numeric.reference_change,
            tree.Compare: self.conditions.compare,
            tree.IsBetween: self.conditions.is_between,
            tree.IsKnown: self.conditions.is_known,
            tree.LimitTest: self.conditions.limit_test,
            tree.ChangedTooMuch: self.conditions.limit_test,
            tree.SexIs: self.conditions.sex_is,
            tree.SpecimenIs: self.conditions.specimen_is,
            tree.AttributeIs: self.conditions.attribute_is,
            tree.AllOf: self.conditions.all_of,
            tree.AnyOf: self.conditions.any_of,
            tree.Not: self.conditions.negation,
            tree.SpecimenAge: self.specimen_ages.typed,
            tree.Preceding: self.surroundings.preceding,
            tree.ControlIs: self.surroundings.control,
        }

    def typed(self, node: tree.Expression, where: Where) -> Typed:
        """Check and compile any expression."""
        found = self._by_node[type(node)](node, where)
        return watched(self._watch, node, where.test, found) if self._watch else found

    def truth(self, node: tree.Expression, where: Where) -> Typed:
        """Check and compile what must be a condition."""
        found = self.typed(node, where)
        return found if found.broken else self.must_be(found, "truth", "a condition")

    def quantity(self, node: tree.Expression, where: Where) -> Typed:
        """Check and compile what must be a number."""
        found = self.typed(node, where)
        return found if found.broken else self.must_be(found, "number", "a number")

    def must_be(self, found: Typed, what: str, words: str) -> Typed:
        """Return the expression if it is of a kind, or note that it is not."""
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
                seconds = node.value * kinds.PERIODS[word] if word in kinds.PERIODS else None
                return Typed(node.span, PERIOD, lambda scene: None, node.unit, constant=seconds)
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
            sketch = Read(("population", name), run, bool)
            return Typed(node.span, TRUTH, run, label=name, facts=facts, sketch=sketch)
        if name in self.symbols.parameters:
            return self._parameter(self.symbols.parameters[name], node, where)
        kind = self.symbols.kind(name)
        if name in self.symbols.groups:
            self.findings.add(
                "R205", node.span, f"{name} is a group of tests, not a number",
                meaning="nobody could tell which of its results is meant.",
                fix=f"name one test, or write `for {name}` and speak of `result`",
            )  # fmt: skip
            return broken(node.span)
        if kind is None:
            symbols = self.symbols
            known = [
                *symbols.judged(), *symbols.named_populations(), *symbols.parameters, *where.lets,
            ]  # fmt: skip
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
        run = self._reader(name, where)
        read = Read(("value", name), run, Decimal, worked=name in self.symbols.derived)
        return Typed(
            node.span,
            kind,
            run,
            label=self.symbols.title(name),
            facts=(facttexts.named(self.symbols, name),),
            missing=frozenset() if name == where.test else frozenset({name}),
            sketch=None if where.exact else read,
        )

    def amount_of(self, node: tree.Expression) -> tree.Amount | None:
        """Return a number as written or as a parameter has it, or note an unknown parameter.

        None for everything that is neither.
        """
        if not isinstance(node, tree.Name):
            return node if isinstance(node, tree.Amount) else None
        known = self.symbols.parameters
        if node.name in known:
            return known[node.name].value
        if node.name not in self.symbols.broken:
            self.findings.unknown_name(node.span, node.name, known, "parameter")
        return None

    def parameter_facts(self, node: tree.Expression) -> tuple[FactOf, ...]:
        """Return the fact of a parameter that is named, none for anything else."""
        found = self.symbols.parameters.get(node.name) if isinstance(node, tree.Name) else None
        return (facttexts.parameter(found),) if found else ()

    def _parameter(self, parameter: tree.Parameter, node: tree.Name, where: Where) -> Typed:
        value = self._amount(parameter.value, where)
        if value.broken:
            return broken(node.span)  # said where the parameter stands
        facts = (facttexts.parameter(parameter),)
        return Typed(node.span, value.kind, value.run, node.name, facts, constant=value.constant)

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
        run = lambda scene: scene.result  # noqa: E731
        sketch = Read("result", run, Decimal)
        return Typed(node.span, kind, run, label=title, facts=facts, sketch=sketch)

    def _age(self, node: tree.Age, where: Where) -> Typed:
        facts, missing = (facttexts.age(),), frozenset({"age"})
        if not node.in_years:
            return Typed(node.span, AGE, lambda scene: None, "age", facts, missing)
        sketch = Read("years", _years, Decimal)
        return Typed(node.span, PLAIN, _years, "age", facts, missing, sketch=sketch)

    def fitted(self, found: Typed, target: Typed) -> Typed:
        """Return `found` converted to the unit of `target`, or note that they do not fit."""
        kind, wanted = found.kind, target.kind
        if titers.apart(found, target, self.findings):
            return broken(found.span)
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


def _years(scene: Scene) -> Quantity:
    birth = patients.birth_of(scene.case.patient)
    if isinstance(birth, Unknown):
        return birth
    least, most = age_range(birth, scene.birthday_on, "years")
    return Decimal(least) if least == most else patients.PARTIAL_BIRTH
