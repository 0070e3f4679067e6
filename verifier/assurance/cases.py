"""Makes the case a scenario describes, message after message.

Everybody in a scenario is the same invented patient, and every specimen is collected at one moment
of an invented day; only ages and distances in time count.
"""

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, date, datetime, timedelta

from verifier.facts.ages import anniversary
from verifier.facts.case import Case, Control, Earlier, Result
from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Value
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
    values = {test: value for step in steps for test, value in step.results}
    kind = _last(step.specimen for step in steps)
    return Case(
        patient=_patient(steps),
        specimen=Specimen("S1", kind, Moment(TAKEN, "second", f"{TAKEN:%Y%m%d%H%M%S}")),
        results=tuple(
            _result(entry, tests[name], value, name in left, name in corrected)
            for entry, (name, value) in enumerate(values.items())
        ),
        earlier=_earlier(catalogue, steps, kind),
        quality=quality,
        now=NOW + steps[-1].after,
        opened=NOW,
    )


def _last(values: Iterable[str]) -> str:
    return ([""] + [value for value in values if value])[-1]


def _patient(steps: Sequence[ScenarioStep]) -> Patient:
    age = next((step.age for step in reversed(steps) if step.age), None)
    born: date | None = anniversary(TAKEN.date(), -age[0], age[1]) if age else None
    return Patient(
        "LAB|MR|1",
        birth=BirthDate(born, born) if born else None,
        sex=_last(step.sex for step in steps),
        attributes={name: said for step in steps for name, said in step.attributes},
    )


def _result(
    entry: int, test: TestDefinition, value: Value, has_left: bool, corrects: bool
) -> Result:
    text = f"{test.title}: a value has already left the laboratory"
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
        faults=(text,) if corrects else (),
        fault_names=("correction",) if corrects else (),
    )


def _earlier(
    catalogue: Catalogue, steps: Sequence[ScenarioStep], kind: str
) -> dict[str, tuple[Earlier, ...]]:
    """Return the earlier results of every test, newest first."""
    past: dict[str, list[Earlier]] = {}
    for test, value, before in (item for step in steps for item in step.earlier):
        unit = catalogue.tests[test].unit
        made = Earlier(value, unit, TAKEN - before, f"before-{before}", kind)
        past.setdefault(test, []).append(made)
    return {
        test: tuple(sorted(found, key=lambda item: item.collected, reverse=True))
        for test, found in past.items()
    }
