"""Turns a result that a person released against the rules into a scenario that asks for it.

Nothing that names a patient goes in: no number, name, date or place; an age in whole days, months
or years, with all above 89 years as 90 (as 45 CFR 164.514(b)(2)(i)(C) of the United States has
it), distances in time, and of attributes only those some rule asks for.
"""

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime, timedelta
from typing import TypeVar

from msgspec import Struct

from verifier.assurance.replay_rank import CRITICAL_FLAGS
from verifier.assurance.running import run_scenario, steps_of
from verifier.assurance.writing import scenario
from verifier.errors import RefusedError
from verifier.facts.ages import Span, age_range, calendar_day
from verifier.facts.case import Case, Result
from verifier.facts.values import Absent, Between, Number, Unreadable, Value
from verifier.facts.verdicts import Decision, ResultDecision
from verifier.language import tree
from verifier.language.givens import Given
from verifier.language.program import Program
from verifier.language.ruleset import check
from verifier.language.scenarios import ScenarioStep

T = TypeVar("T")
ADDED = "from-service.rules"
_OTHER = "another"  # a value of an attribute that no rule names
_OLDEST = 90
_MINUTE = timedelta(minutes=1)
_SOURCE = "a person released this result in service"


class Override(Struct, frozen=True):
    """A scenario written from a result in service.

    `text` is what to put into a rule file, `notes` what of the case could not be written, and
    `held_by` the rules and safeguards that held the result in service.
    """

    name: str
    text: str
    test: str
    held_by: tuple[str, ...]
    notes: tuple[str, ...]


class Trial(Struct, frozen=True):
    """What the scenario shows beside some rules: whether it comes true, and if not, why.

    `met` is None when the scenario can not be read beside them; `happened` then says why.
    `forbidden` says what forbids that such a result leaves alone: a guarantee, a critical limit.
    """

    met: bool | None
    happened: str
    reasons: tuple[str, ...] = ()
    forbidden: tuple[str, ...] = ()


def override_of(program: Program, case: Case, decision: Decision, place: int) -> Override:
    """Return the scenario of a result that `decision`, made from `case`, held.

    Raises:
        RefusedError: it was not held, or only by what no scenario can give.
    """
    held = next((i for i in decision.results if i.entry == place and i.outcome == "hold"), None)
    if held is None:
        raise RefusedError("This result was not held, so nothing was overridden.")
    rules = tuple(dict.fromkeys(reason.rule for reason in held.reasons))
    if all(":" in rule for rule in rules):
        raise RefusedError(
            "No rule held this result, a built-in safeguard did. A scenario can not ask for its "
            "release, and no rule can give it."
        )
    if held.test not in program.catalogue.tests:
        raise RefusedError(
            "The rules in use do not know %(value)s.", value=held.test or "this test"
        )
    written = _Written(program, case)
    step = written.step(place)
    if held.test not in {test for test, _ in step.results}:
        raise RefusedError("The value of this result can not be written in a scenario.")
    name = _name(program, held, dict(step.results)[held.test], rules)
    text = scenario(program.catalogue, name, [step], {0: [f"{held.test} released"]}, _SOURCE)
    notes = (*written.notes, *_of_safeguards(rules))
    return Override(name, text, held.test, rules, tuple(dict.fromkeys(notes)))


def tried(files: Mapping[str, str], parameters: Mapping[str, str], override: Override) -> Trial:
    """Return what a scenario shows beside some rule files, as a site uses them."""
    checked = check({**files, ADDED: override.text}, parameters)
    if checked.program is None:
        errors = [item for item in checked.diagnostics if item.severity == "error"]
        return Trial(None, "; ".join(f"{e.file}:{e.line} {e.message}" for e in errors[:3]))
    (added,) = (item for item in checked.program.scenarios if item.name == override.name)
    (answer,) = run_scenario(checked.program, added).answers
    forbidden = tuple(_forbidding(checked.program, added.steps, override.test))
    return Trial(answer.met, answer.happened, answer.reasons, forbidden)


def _forbidding(program: Program, steps: tuple[ScenarioStep, ...], test: str) -> Iterator[str]:
    """Yield in words why a result of a scenario must never leave alone."""
    (heard,) = steps_of(program, steps)
    if test in heard.stands and heard.stands[test].flag in CRITICAL_FLAGS:
        yield "it is a critical value"
    for guarantee in program.guarantees:
        asked = zip(guarantee.tests, guarantee.conditions, strict=True)
        if any(
            name == test and so(program.scene_of(heard.case, name)) is True for name, so in asked
        ):
            yield f"the guarantee “{guarantee.name}” forbids it"


def _name(program: Program, held: ResultDecision, value: Given, rules: tuple[str, ...]) -> str:
    """Return a name nobody has given yet: what was released, and what had held it."""
    own = ", ".join(rule for rule in rules if ":" not in rule)
    is_number = isinstance(value, Number | Between)  # other texts may say anything
    shown = f"{held.title} {held.value} {held.unit}".rstrip() if is_number else held.title
    name = f"{shown}, held by {own}, was released by a person".replace('"', "")
    while any(item.name == name for item in program.scenarios):
        name += ", again"
    return name


def _of_safeguards(rules: tuple[str, ...]) -> Iterator[str]:
    built_in = [rule for rule in rules if ":" in rule]
    if built_in:
        yield f"it was held by {', '.join(built_in)} as well, which no scenario gives"


class _Written:
    """What of a case a scenario can give; `notes` says what it can not."""

    def __init__(self, program: Program, case: Case) -> None:
        self._program, self._case = program, case
        self.notes: list[str] = []

    def step(self, place: int) -> ScenarioStep:
        case = self._case
        age = self._age()
        asked = next((item for item in case.results if item.entry == place), None)
        return ScenarioStep(
            after=timedelta(0),
            expected=(),
            results=tuple(self._results()),
            earlier=tuple(self._earlier()),
            quality=tuple(
                (test, state) for test, state in sorted(case.quality.items())
                if state != "in control" and test in {item.test for item in case.results}
            ),
            attributes=tuple(self._attributes()),
            specimen=self._specimen(),
            sex=case.patient.sex if age and case.patient and case.patient.sex in "MF" else "",
            age=age,
            specimen_age=self._specimen_age(asked),
            preceding=tuple(self._preceding()),
        )  # fmt: skip

    def _age(self) -> tuple[int, Span] | None:
        case = self._case
        patient = case.patient
        birth = patient.birth if patient else None
        if birth is None:
            self.notes.append("no age: no birth date was sent; the sex is left out as well")
            return None
        collected = case.specimen.collected
        on = calendar_day(collected) if collected else case.now.date()
        spans: tuple[tuple[Span, int], ...] = (("days", 90), ("months", 36), ("years", 1000))
        for span, below in spans:
            least, most = age_range(birth, on, span)
            if least == most and 0 <= least < below:
                if span == "years" and least >= _OLDEST:
                    self.notes.append("an age above 89 years is written as 90 years")
                    return _OLDEST, span
                return least, span
        self.notes.append("no age: the birth date is not known well enough")
        return None

    def _specimen(self) -> str:
        kind = self._case.specimen.type
        if not kind:
            return ""
        known = {word for test in self._program.catalogue.tests.values() for word in test.specimens}
        known |= {item.type for item in _parts(self._program, tree.SpecimenIs)}
        if kind not in known:
            self.notes.append("the specimen type: no rule names it")
            return ""
        return kind

    def _results(self) -> Iterator[tuple[str, Given]]:
        several = [item.test for item in self._case.results if item.state != "rejected"]
        for item in self._case.results:
            if item.state == "rejected":
                continue
            if several.count(item.test) > 1:
                self.notes.append(f"{item.title}: there are several values of it")
                continue
            value = self._given(item.test, item.title or item.code, item.value, item.unit)
            if value is not None:
                yield item.test, value

    def _given(self, test: str, title: str, value: Value, unit: str) -> Given | None:
        known = self._program.catalogue.tests.get(test)
        if known is None:
            self.notes.append(f"{title}: the rules do not know this test")
            return None
        match value:
            case Absent():
                return value
            case Unreadable():
                return Unreadable("left out", "it can not be read")
            case Number() if unit == known.unit:
                return value
            case Between(low=low, high=high) if unit == known.unit and None in (low, high):
                return value
        self.notes.append(f"{title}: its value or unit is none that a scenario can give")
        return None

    def _earlier(self) -> Iterator[tuple[str, Number | Between, timedelta]]:
        collected, kind = self._case.specimen.collected, self._case.specimen.type
        if collected is None:
            if self._case.earlier:
                self.notes.append("earlier results: no collection time was sent")
            return
        for test, found in sorted(self._case.earlier.items()):
            seen: set[timedelta] = set()
            for item in found:
                known = self._program.catalogue.tests.get(test)
                before = _minutes(collected.at, item.collected)
                fits = known and item.unit == known.unit and isinstance(item.value, Number)
                if not fits or item.specimen_type != kind or before in seen:
                    self.notes.append(f"an earlier result of {test}: a scenario can not give it")
                    continue
                seen.add(before)
                assert isinstance(item.value, Number)
                yield test, item.value, before

    def _preceding(self) -> Iterator[tuple[str, Number | Between]]:
        for test, item in sorted(self._case.preceding.items()):
            known = self._program.catalogue.tests.get(test)
            if known and item.unit == known.unit and isinstance(item.value, Number):
                yield test, item.value

    def _attributes(self) -> Iterator[tuple[str, str]]:
        asked: dict[str, set[str]] = {}
        for node in _parts(self._program, tree.AttributeIs):
            asked.setdefault(node.attribute, set()).add(node.value)
        case = self._case
        of_patient = case.patient.attributes if case.patient else {}
        for name, named in sorted(asked.items()):
            said = of_patient.get(name) or case.specimen.attributes.get(name)
            if said:
                yield name, said if said in named else _OTHER

    def _specimen_age(self, asked: Result | None) -> timedelta | None:
        collected = self._case.specimen.collected
        if collected is None:
            self.notes.append("how old the specimen was: no collection time was sent")
            return None
        measured = asked.measured if asked and asked.measured else self._case.now
        return _minutes(measured, collected.at)


def _minutes(later: datetime, earlier: datetime) -> timedelta:
    """Return a distance in whole minutes, at least one; a scenario says no less."""
    return max((later - earlier) // _MINUTE, 1) * _MINUTE


def _parts(program: Program, kind: type[T]) -> Iterator[T]:
    """Yield the parts of all statements that are of a kind."""
    left: list[object] = list(program.statements)
    while left:
        node = left.pop()
        if isinstance(node, kind):
            yield node
        elif isinstance(node, tuple):
            left += node
        elif is_dataclass(node):
            left += [getattr(node, part.name) for part in fields(node)]
