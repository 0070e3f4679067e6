"""Writes what a scenario gives the way it is written in a rule file."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta

from verifier.facts.catalogue import Catalogue
from verifier.facts.values import TITER, Absent, Number, Titer, TiterBetween, Unreadable
from verifier.language.givens import Given
from verifier.language.scenarios import ScenarioStep
from verifier.language.scene import between_text, plain

_GROWN = 18
_WORDS = {"M": ("boy", "man"), "F": ("girl", "woman"), "": ("person", "person")}
_SPANS = (
    ("day", timedelta(days=1)),
    ("hour", timedelta(hours=1)),
    ("minute", timedelta(minutes=1)),
)


def given(catalogue: Catalogue, step: ScenarioStep) -> str:
    """Return everything a step gives, in one line."""
    return ", ".join(_given(catalogue, step))


def _given(catalogue: Catalogue, step: ScenarioStep) -> Iterator[str]:
    if step.age:
        yield _person(step)
    for test, value in step.results:
        yield _value(catalogue, test, value)
    for test, value, before in step.earlier:
        yield f"{_value(catalogue, test, value)} {period(before)} before"
    for test, value in step.preceding:
        yield f"preceding {_value(catalogue, test, value)}"
    for test, state in step.quality:
        yield f"{test} {'control unknown' if state == 'unknown' else state}"
    if step.specimen:
        yield f"specimen {step.specimen}"
    if step.specimen_age is not None:
        yield f"specimen age {period(step.specimen_age)}"
    for name, said in step.attributes:
        yield f'attribute {name} "{said}"'


def _person(step: ScenarioStep) -> str:
    assert step.age is not None
    count, span = step.age
    grown = span == "years" and count >= _GROWN
    unit = span if count != 1 else span.removesuffix("s")
    return f"{_WORDS[step.sex][grown]} of {count} {unit}"


def _value(catalogue: Catalogue, test: str, value: Given) -> str:
    if isinstance(value, Absent):
        return f"{test} missing"
    if isinstance(value, Unreadable):
        return f'{test} unreadable "{value.text}"'
    if isinstance(value, TiterBetween):
        return f"{test} {_spaced(between_text(value))}"
    if isinstance(value, Titer):
        return f"{test} {plain(value.value, TITER)}"
    text = plain(value.value) if isinstance(value, Number) else _spaced(between_text(value))
    unit = catalogue.tests[test].unit
    return f"{test} {text} {unit}" if unit and unit != "1" else f"{test} {text}"


def _spaced(text: str) -> str:
    sign = text[: len(text) - len(text.lstrip("<>="))]
    return f"{sign} {text.removeprefix(sign)}"


def period(span: timedelta) -> str:
    """Return a stretch of time in the largest unit that fits."""
    for unit, length in _SPANS:
        if span % length == timedelta(0) and span:
            count = span // length
            return f"{count} {unit}{'s' * (count != 1)}"
    return f"{span // _SPANS[-1][1]} minutes"


def scenario(
    catalogue: Catalogue,
    name: str,
    steps: Iterable[ScenarioStep],
    expected: Mapping[int, Iterable[str]],
    source: str = "",
) -> str:
    """Return a whole scenario; `expected` gives the expectations of each step, by its number."""
    lines = [f'scenario "{name}"', *([f'  from   "{source}"'] if source else [])]
    for number, step in enumerate(steps):
        said = given(catalogue, step)
        lines.append(f"  after {period(step.after)}  {said}" if number else f"  given  {said}")
        lines += [f"  expect {text}" for text in expected.get(number, ())]
    return "\n".join(lines) + "\n"
