"""Runs the scenarios of a program, so that the manual's are more than well spelled."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta

from scenes import NOW, TAKEN

from verifier.decide.decide import decide
from verifier.facts.ages import anniversary
from verifier.facts.case import Case, Control, Earlier, Preceding, Result
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Absent, Unreadable
from verifier.facts.verdicts import Decision
from verifier.language import Program
from verifier.language.givens import Given
from verifier.language.scenarios import CheckedScenario, Expected, ScenarioStep

OUTCOMES = {"released": "release", "held": "hold", "waits": "wait"}


def failures(program: Program, scenario: CheckedScenario) -> Iterator[str]:
    """Yield every expectation that is not met."""
    steps: list[ScenarioStep] = []
    for step in scenario.steps:
        steps.append(step)
        decision = decide(_case(program, steps), program)
        for expected in step.expected:
            if not _met(expected, decision):
                yield f"{scenario.name}, after {step.after}: {expected}"


def _case(program: Program, steps: list[ScenarioStep]) -> Case:
    tests = program.catalogue.tests
    values = {test: (value, NOW + step.after) for step in steps for test, value in step.results}
    taken = _taken(steps)
    quality: dict[str, Control] = dict.fromkeys(tests, "in control")
    quality.update({test: state for step in steps for test, state in step.quality})
    past: dict[str, list[Earlier]] = {}
    for test, value, before in (item for step in steps for item in step.earlier):
        made = Earlier(value, tests[test].unit, taken - before, f"before-{before}")
        past.setdefault(test, []).append(made)
    return Case(
        patient=_patient(steps),
        specimen=Specimen(
            "S1", _last(step.specimen for step in steps), Moment(taken, "second", "")
        ),
        results=tuple(
            _result(n, test, value, measured, program)
            for n, (test, (value, measured)) in enumerate(values.items())
        ),
        earlier={test: tuple(found) for test, found in past.items()},
        quality=quality,
        now=NOW + steps[-1].after,
        opened=NOW,
        preceding=_preceding(program, steps),
    )


def _taken(steps: list[ScenarioStep]) -> datetime:
    """Return the collection time: results are measured when their step comes."""
    said = [NOW + step.after - step.specimen_age for step in steps if step.specimen_age is not None]
    return said[-1] if said else TAKEN


def _preceding(program: Program, steps: list[ScenarioStep]) -> dict[str, Preceding]:
    tests, before = program.catalogue.tests, NOW - timedelta(minutes=1)
    return {
        test: Preceding(value, tests[test].unit, before, "analyzer", "before")
        for step in steps
        for test, value in step.preceding
    }


def _last(values: Iterator[str]) -> str:
    return ([""] + [value for value in values if value])[-1]


def _patient(steps: list[ScenarioStep]) -> Patient:
    age = next((step.age for step in reversed(steps) if step.age), None)
    born: date | None = anniversary(TAKEN.date(), -age[0], age[1]) if age else None
    return Patient(
        "LAB|MR|1",
        birth=BirthDate(born, born) if born else None,
        sex=_last(step.sex for step in steps),
        attributes={name: said for step in steps for name, said in step.attributes},
    )


def _result(entry: int, test: str, value: Given, measured: datetime, program: Program) -> Result:
    known, faults = program.catalogue.tests[test], _faults(value)
    return Result(
        entry=entry, test=test, title=known.title, code="", value=value, unit=known.unit,
        sent_text="", sent_unit="", status="F", state="open", measured=measured,
        fault_names=tuple(faults), faults=tuple(faults.values()),
    )  # fmt: skip


def _faults(value: Given) -> dict[str, str]:
    """Return what reading a message says of such a value, by safeguard."""
    match value:
        case Absent():
            return {"no-value": "it has no value"}
        case Unreadable(_, why):
            return {"unreadable-value": why}
    return {}


def _met(expected: Expected, decision: Decision) -> bool:
    items = {item.test: item for item in (*decision.results, *decision.derived)}
    fired = {reason.rule for item in items.values() for reason in item.reasons}
    fired |= {request.rule for request in decision.requests}
    if expected.what in ("fired", "not fired"):
        return (expected.rule in fired) is (expected.what == "fired")
    for name in expected.tests or tuple(items):
        item = items.get(name)
        if item is None:
            return False
        if expected.rule and expected.rule not in {reason.rule for reason in item.reasons}:
            return False
        if expected.what in OUTCOMES and item.outcome != OUTCOMES[expected.what]:
            return False
        if expected.what == "suppressed" and not item.instead:
            return False
        if expected.what == "flagged" and item.flag != expected.flag:
            return False
    return True
