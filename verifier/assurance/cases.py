"""Makes the case a scenario describes, message after message.

Everybody in a scenario is the same invented patient, and every specimen is collected at one moment
of an invented day; only ages and distances in time count.
"""

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, date, datetime, timedelta

from verifier.facts.ages import anniversary
from verifier.facts.case import Case, Control, Earlier, Preceding, Result
from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Absent, Unreadable
from verifier.language.givens import Given
from verifier.language.scenarios import ScenarioStep

NOW = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)  # when the first message arrives
TAKEN = NOW - timedelta(hours=1)


def case_of(
    catalogue: Catalogue,
    steps: Sequence[ScenarioStep],
    left: Collection[str] = (),
    corrected: Collection[str] = (),
) -> Case:
    """Return the case as it is after the last of `steps`.

    `left` names the tests whose results have left and stand as they were, `corrected` those that
    were given again after they had left. Otherwise the last value given of a test counts.
    """
    tests = catalogue.tests
    quality: dict[str, Control] = dict.fromkeys(tests, "in control")
    quality.update({test: state for step in steps for test, state in step.quality})
    values = {test: (value, NOW + step.after) for step in steps for test, value in step.results}
    taken = collected(steps)
    kind = _last(step.specimen for step in steps)
    return Case(
        patient=_patient(steps, taken),
        specimen=Specimen("S1", kind, Moment(taken, "second", f"{taken:%Y%m%d%H%M%S}")),
        results=tuple(
            _result(entry, tests[name], value, measured, name in left, name in corrected)
            for entry, (name, (value, measured)) in enumerate(values.items())
        ),
        earlier=_earlier(catalogue, steps, kind, taken),
        quality=quality,
        now=NOW + steps[-1].after,
        opened=NOW,
        preceding=_preceding(catalogue, steps),
    )


def collected(steps: Sequence[ScenarioStep]) -> datetime:
    """Return when the specimen was collected; results are measured when their step comes."""
    said = [NOW + step.after - step.specimen_age for step in steps if step.specimen_age is not None]
    return said[-1] if said else TAKEN


def _preceding(catalogue: Catalogue, steps: Sequence[ScenarioStep]) -> dict[str, Preceding]:
    tests, before = catalogue.tests, NOW - timedelta(minutes=1)
    return {
        test: Preceding(value, tests[test].unit, before, "analyzer", "before")
        for step in steps
        for test, value in step.preceding
    }


def _last(values: Iterable[str]) -> str:
    return ([""] + [value for value in values if value])[-1]


def _patient(steps: Sequence[ScenarioStep], taken: datetime) -> Patient:
    age = next((step.age for step in reversed(steps) if step.age), None)
    born: date | None = anniversary(taken.date(), -age[0], age[1]) if age else None
    return Patient(
        "LAB|MR|1",
        birth=BirthDate(born, born, taken.time()) if born else None,
        sex=_last(step.sex for step in steps),
        attributes={name: said for step in steps for name, said in step.attributes},
    )


def _result(
    entry: int,
    test: TestDefinition,
    value: Given,
    measured: datetime,
    has_left: bool,
    corrects: bool,
) -> Result:
    faults = _faults(test, value, corrects)
    return Result(
        entry=entry,
        test=test.name,
        title=test.title,
        code="",
        value=value,
        unit=test.unit,
        sent_text="",
        sent_unit="",
        status="C" if corrects else "F",
        state="released" if has_left else "open",
        corrects=corrects,
        measured=measured,
        faults=tuple(faults.values()),
        fault_names=tuple(faults),
    )


def _faults(test: TestDefinition, value: Given, corrects: bool) -> dict[str, str]:
    """Return what reading a message says of such a result, by safeguard."""
    found = {}
    if corrects:
        found["correction"] = f"{test.title}: a value has already left the laboratory"
    match value:
        case Absent():
            found["no-value"] = f"{test.title} has no value"
        case Unreadable(_, why):
            found["unreadable-value"] = why
    return found


def _earlier(
    catalogue: Catalogue, steps: Sequence[ScenarioStep], kind: str, taken: datetime
) -> dict[str, tuple[Earlier, ...]]:
    """Return the earlier results of every test, newest first."""
    past: dict[str, list[Earlier]] = {}
    for test, value, before in (item for step in steps for item in step.earlier):
        unit = catalogue.tests[test].unit
        made = Earlier(value, unit, taken - before, f"before-{before}", kind)
        past.setdefault(test, []).append(made)
    return {
        test: tuple(sorted(found, key=lambda item: item.collected, reverse=True))
        for test, found in past.items()
    }
