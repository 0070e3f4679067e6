"""A compiled rule set: judges cases. Immutable; the same case always gets the same judgement."""

from collections.abc import Iterable, Mapping
from datetime import timedelta
from decimal import Decimal
from functools import cached_property

from msgspec import Struct

from verifier.facts.case import Case, Result
from verifier.facts.catalogue import Catalogue
from verifier.facts.values import Between, Number
from verifier.facts.verdicts import Derived, Fact, Judgement
from verifier.language import facttexts, flags, tree
from verifier.language.comparing import Test, shown_text
from verifier.language.derived import CompiledFormula
from verifier.language.identity import identity as identity_of
from verifier.language.kinds import Kind
from verifier.language.limits import LimitTables
from verifier.language.reasons import DERIVED, judge_rules, worst_flag
from verifier.language.reasons import Findings as Collected
from verifier.language.rules import CompiledRule
from verifier.language.scenarios import CheckedGuarantee, CheckedScenario
from verifier.language.scene import Quantity, Scene, plain, usable
from verifier.language.screen import Screen, screen
from verifier.language.truth import Missing, Truth, Unknown


class RuleSummary(Struct, frozen=True):
    """What a rule set says about one of its rules; `tests` is empty for the whole specimen."""

    name: str
    because: str
    source: str
    tests: tuple[str, ...]


class ParameterSummary(Struct, frozen=True):
    """A number that a site may set, with the value that counts; `source` says if it was set."""

    name: str
    value: str
    unit: str
    source: str


class Program:
    """A checked rule set, ready to judge.

    `longest_window` says how far back earlier results count.
    `holds_patients` says whether a rule may hold all specimens of a patient, `needs_preceding` of
    which tests the value measured just before is asked for.
    `scenarios` and `guarantees` are what it is expected to do; they are kept, not run, here.
    `statements` are what the files say, with groups spelled out; `tables` the limits of all tests.
    """

    def __init__(
        self,
        *,
        catalogue: Catalogue,
        rules: tuple[RuleSummary, ...],
        longest_window: timedelta,
        needs_preceding: frozenset[str],
        by_test: Mapping[str, Iterable[CompiledRule]],
        of_specimen: Iterable[CompiledRule],
        formulas: Mapping[str, CompiledFormula],
        populations: Mapping[str, Test],
        tables: LimitTables,
        kinds: Mapping[str, Kind],
        parameters: tuple[ParameterSummary, ...],
        scenarios: tuple[CheckedScenario, ...],
        guarantees: tuple[CheckedGuarantee, ...],
        statements: tuple[tree.Declaration, ...],
    ) -> None:
        self.catalogue, self.rules = catalogue, rules
        self.longest_window, self.needs_preceding = longest_window, needs_preceding
        self.parameters = parameters
        self.scenarios, self.guarantees = scenarios, guarantees
        self.statements, self.tables = statements, tables
        self._by_test = {name: tuple(found) for name, found in by_test.items() if found}
        self._of_specimen = tuple(of_specimen)
        self.holds_patients = any(rule.scope == "patient" for rule in self._of_specimen)
        self._screens: dict[str, tuple[tuple[CompiledRule, ...], Screen[CompiledRule]]] = {}
        self._formulas, self._populations = dict(formulas), dict(populations)
        self._kinds = dict(kinds)
        self._units = {name: test.unit for name, test in catalogue.tests.items()}
        self._reported = sorted(name for name, item in self._formulas.items() if item.report)
        self._flags = flags.Flags(tables)
        self._absent = {
            name: Unknown(Missing(name, "not ordered", f"{test.title} is not in this specimen"))
            for name, test in catalogue.tests.items()
        }

    @cached_property
    def identity(self) -> str:
        """The SHA-256 of what the rule set means, in hexadecimal; worked out when asked for."""
        return identity_of(self.statements)

    def judge(self, case: Case) -> Judgement:
        """Return what the rules say of every result of a case, and the derived results."""
        scene = self.scene(case)
        found = Collected(case)
        for position, result in enumerate(case.results):
            if result.test in self._by_test and result.state != "rejected":
                scene.test, scene.current = result.test, result
                scene.result = self._value_of(scene, result)
                self._judge_result(scene, found, position, result.test)
        scene.test, scene.result, scene.current = "", Unknown(), None
        judge_rules(self._of_specimen, scene, found, None)
        every = tuple(self._derived(scene, found))
        unread = {case.results[n].test for n in found.instead}  # nothing is worked out from these
        derived = tuple(
            found.with_specimen(item) for item in every if unread.isdisjoint(item.inputs)
        )
        return found.judgement(derived, self._notes(scene))

    def named(self, name: str) -> tuple[str, Kind]:
        """Return what people call a test or derived result, and its kind of number."""
        formula, kind = self._formulas.get(name), self._kinds[name]
        return (formula.title if formula else self.catalogue.tests[name].title), kind

    def scene(self, case: Case) -> Scene:
        """Return what conditions read of a case; what is asked for is worked out then."""
        return Scene(case, self._units, self._work, self._belongs)

    def scene_of(self, case: Case, name: str) -> Scene:
        """Return what conditions read of a case with the result of a test, or a derived one, in
        hand.
        """
        scene = self.scene(case)
        scene.test, scene.result = name, scene.values[name]
        scene.current = scene.results.get(name)
        return scene

    def decimals(self, name: str) -> int | None:
        """Return the decimals a test or derived result is reported with, None where none are."""
        formula = self._formulas.get(name)
        return formula.decimals if formula else self.catalogue.tests[name].decimals

    def rules_of(self, name: str) -> tuple[CompiledRule, ...]:
        """Return the rules that look at a test or derived result; "" at none, at the specimen."""
        return self._by_test.get(name, ()) if name else self._of_specimen

    def inputs(self, name: str) -> tuple[str, ...]:
        """Return the tests a derived result is worked out from in the end."""
        return self._formulas[name].inputs

    def _screen(self, test: str, rules: tuple[CompiledRule, ...]) -> Screen[CompiledRule]:
        """Return what picks the rules of a test; made when first asked for, a check needs none."""
        known = self._screens.get(test)
        if known is None or known[0] is not rules:
            known = self._screens[test] = (rules, screen(rules))
        return known[1]

    def _value_of(self, scene: Scene, result: Result) -> Quantity:
        if scene.results.get(result.test) is result:
            value = scene.values[result.test]
            if not isinstance(value, Unknown):
                return value
        return usable(result, self._units[result.test])

    def _judge_result(self, scene: Scene, found: Collected, position: int, test: str) -> None:
        rules = self._by_test[test]
        judge_rules(rules, scene, found, position, self._screen(test, rules))
        found.covered.add(position)
        flag, reference = self._flags.of(test, scene)
        if flag:
            found.flags.setdefault(position, []).append(flag)
        if reference:
            found.references[position] = reference

    def _derived(self, scene: Scene, found: Collected) -> Iterable[Derived]:
        # A value worked out without a test the specimen does not hold does not rest on that test.
        here = {result.test for result in scene.case.results}
        for name in self._reported:
            formula = self._formulas[name]
            value = scene.values[name]
            if isinstance(value, Unknown):
                continue
            scene.test, scene.result = name, value
            judge_rules(self._by_test.get(name, ()), scene, found, DERIVED)
            flag, reference = self._flags.of(name, scene)
            assert formula.report is not None
            system, code = formula.report
            yield Derived(
                test=name,
                title=formula.title,
                code=code,
                system=system,
                value=_value(value),
                text=_text_of(scene, name, formula),
                unit=formula.kind.present.unit if formula.kind.present else formula.unit,
                inputs=tuple(name for name in formula.inputs if name in here),
                reasons=found.reasons_of(DERIVED),
                flag=worst_flag([*found.flags.get(DERIVED, []), flag]),
                reference=reference,
                instead=found.instead_of(DERIVED),
                comments=tuple(sorted(found.comments.get(DERIVED, {}))),
            )
            found.forget_derived()

    def _notes(self, scene: Scene) -> dict[str, Fact]:
        notes = {}
        for name, formula in self._formulas.items():
            value = scene.values[name]
            if isinstance(value, Decimal):
                value = facttexts.told(scene, name, value, formula.kind)
                notes[name] = facttexts.quantity_fact(
                    formula.title, value, formula.kind, formula.decimals, scene.collected, "derived"
                )
        return notes

    def _work(self, scene: Scene, name: str) -> Quantity:
        formula = self._formulas.get(name)
        return formula.work(scene) if formula else self._absent[name]

    def _belongs(self, scene: Scene, name: str) -> Truth:
        return self._populations[name](scene)


def _text_of(scene: Scene, name: str, formula: CompiledFormula) -> str:
    """Return a derived result as it is reported."""
    value, present = scene.values[name], formula.kind.present
    if not present:
        return facttexts.number_text(value, formula.decimals)
    exact = facttexts.told(scene, name, value, formula.kind)
    if isinstance(exact, Decimal):
        return plain(present.reported(exact))
    assert isinstance(exact, Between)
    return shown_text(exact, present)


def _value(value: Quantity) -> Number | Between:
    assert not isinstance(value, Unknown)
    return Number(value) if isinstance(value, Decimal) else value
