"""From the facts of a case to the steps of a scenario: what each message brings."""

from collections.abc import Iterator, Mapping
from datetime import timedelta

from msgspec.structs import replace

from verifier.assurance.proof.liking import TAKEN
from verifier.assurance.proof.witness import Before, Witness
from verifier.facts.ages import Span, anniversary, completed
from verifier.facts.values import Between, Number, Unreadable, Value
from verifier.language.givens import Given
from verifier.language.scenarios import ScenarioStep

_LATER = timedelta(minutes=10)
_MINUTE = timedelta(minutes=1)
_SPANS: tuple[tuple[Span, int], ...] = (("years", 1), ("months", 2), ("weeks", 2))


def steps_of_witness(found: Witness) -> tuple[ScenarioStep, ...] | str:
    """Return the steps of a scenario with these facts, or why no scenario can give them."""
    if found.several:
        return f"a scenario gives one value of a test, here are several of {min(found.several)}"
    if not found.collected:
        return "in a scenario the collection time is always known"
    if found.birth and found.birth[0] != found.birth[1]:
        return "in a scenario a birth date is known to the day"
    odd = [item.test for item in found.earlier if not _writable(item.value)]
    odd += [test for test, value in found.preceding.items() if not _writable(value)]
    if odd:
        return f"a scenario gives numbers for what was measured before, {odd[0]} has none"
    ages = {age for test, age in found.times.items() if not test or test in found.results}
    if len(ages) > 1 or None in ages:
        return "in a scenario all results of a message are measured at one known time"
    return _steps(found, next(iter(ages), None))


def _writable(value: Value) -> bool:
    return isinstance(value, Number | Between)


def _steps(found: Witness, age: timedelta | None) -> tuple[ScenarioStep, ...]:
    results = tuple((test, _given(value)) for test, value in sorted(found.results.items()))
    step = ScenarioStep(
        timedelta(0),
        (),
        results=results,
        earlier=tuple(_earlier(item) for item in found.earlier),
        quality=tuple(item for item in sorted(found.quality.items()) if item[1] != "in control"),
        attributes=tuple(sorted(found.attributes.items())),
        specimen=found.specimen,
        sex=found.sex if found.birth else "",
        age=_age(found.birth[0]) if found.birth else None,
        specimen_age=age if age != timedelta(hours=1) else None,
        preceding=tuple(_numbers(found.preceding)),
    )
    left = tuple(item for item in results if item[0] in found.left)
    if left:
        return _in_two(step, left)
    if found.elapsed:
        return step, ScenarioStep(found.elapsed, ())
    return (step,)


def _numbers(values: Mapping[str, Value]) -> Iterator[tuple[str, Number | Between]]:
    for test, value in sorted(values.items()):
        if isinstance(value, Number | Between):
            yield test, value


def _in_two(step: ScenarioStep, left: tuple[tuple[str, Given], ...]) -> tuple[ScenarioStep, ...]:
    """Return what has left first, and then the rest."""
    first = replace(step, results=left, quality=())
    rest = tuple(item for item in step.results if item not in left)
    return first, ScenarioStep(_LATER, (), results=rest, quality=step.quality)


def _given(value: Value) -> Given:
    assert isinstance(value, Number | Between | Unreadable)
    return value


def _earlier(item: Before) -> tuple[str, Number | Between, timedelta]:
    assert isinstance(item.value, Number | Between)
    return item.test, item.value, max(item.ago // _MINUTE * _MINUTE, _MINUTE)


def _age(days: int) -> tuple[int, Span]:
    """Return an age in the largest unit in which it is a whole one on the day of scenarios."""
    for span, least in _SPANS:
        count = completed(TAKEN - timedelta(days=days), TAKEN, span)
        if count >= least and (TAKEN - anniversary(TAKEN, -count, span)).days == days:
            return count, span
    return days, "days"
