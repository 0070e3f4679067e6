"""Edge cases of change limits: an earlier value, and values just inside, at and just beyond."""

from collections.abc import Iterator, Mapping
from datetime import timedelta
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from fractions import Fraction

from msgspec.structs import replace

from verifier.assurance.edges import EdgeCase, row_words
from verifier.assurance.grid import Side, number, step_of
from verifier.assurance.persons import Persons
from verifier.assurance.solving import usual
from verifier.language.changes import ChangeLimit
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep
from verifier.language.source import Source

_DAY, _TICK = timedelta(days=1), timedelta(microseconds=1)
_NEAR = 400  # steps around the middle value in which an earlier value is looked for


def change_edges(
    program: Program, sources: Mapping[str, Source], persons: Persons
) -> Iterator[EdgeCase]:
    """Yield the cases of every change limit, test by test."""
    for test, limits in sorted(program.tables.changes.items()):
        for limit in limits:
            words = row_words(sources, limit.span)
            yield from _of_limit(program, test, limit, words, persons)


def _of_limit(
    program: Program, test: str, limit: ChangeLimit, words: str, persons: Persons
) -> Iterator[EdgeCase]:
    whom = persons.of(limit.population)
    derived = test not in program.catalogue.tests
    why_not = "it is worked out, not measured" if derived else ""
    if whom is None:
        why_not = f"no patient was found for {limit.population}"
    before = min(limit.window, _DAY)
    decimals = program.decimals(test)
    step = step_of(usual(program, test), decimals)
    earlier = _earlier(program, test, limit, step)
    start = Fraction(earlier)
    rise, fall = allowed(limit, start, before)
    for most, edge in ((rise, start + rise), (fall, start - fall)):
        for side, value in _around(edge, step):
            given: ScenarioStep | None = None
            if whom is not None and not derived:
                known = program.catalogue.tests[test]
                given = replace(
                    whom,
                    results=((test, number(value, known)),),
                    earlier=((test, number(earlier, known), before),),
                )
            yield EdgeCase(
                test=test,
                kind="change",
                place=limit.span,
                words=words,
                edge=_decimal(edge),
                side=side,
                value=value,
                expected=abs(Fraction(value) - start) > most,
                population=limit.population,
                step=given,
                why_not=why_not,
            )


def allowed(limit: ChangeLimit, earlier: Fraction, before: timedelta) -> tuple[Fraction, Fraction]:
    """Return the largest rise and fall a limit allows from an earlier value, exactly."""
    most = Fraction(limit.most)
    if limit.measure == "factor":
        return earlier * (most - 1), earlier - earlier / most
    if limit.measure == "percent":
        most = most * abs(earlier) / 100
    if limit.each is not None:
        most = most * (before // _TICK) / Fraction(limit.each)
    return most, most


def _earlier(program: Program, test: str, limit: ChangeLimit, step: Decimal) -> Decimal:
    """Return an earlier value near the usual from which the limit is hit exactly, if there is one.

    A limit in percent lies between two reportable values for most earlier values.
    """
    middle = (usual(program, test) / step).to_integral_value(ROUND_FLOOR) * step
    if limit.measure == "percent":
        for away in sorted(range(-_NEAR, _NEAR), key=abs):
            value = middle + away * step
            if value > 0 and not Fraction(value) * Fraction(limit.most) / 100 % Fraction(step):
                return value.quantize(step)
    return middle.quantize(step)


def _around(edge: Fraction, step: Decimal) -> list[tuple[Side, Decimal]]:
    """Return the nearest reportable values about an edge; at it only where one can be reported."""
    count = _decimal(edge / Fraction(step))
    low, high = (count.to_integral_value(way) for way in (ROUND_FLOOR, ROUND_CEILING))
    exact = not edge % Fraction(step)
    found: list[tuple[Side, Decimal]] = [("below", (low - exact) * step)]
    found += [("at", low * step)] if exact else []
    return [
        (side, value.quantize(step)) for side, value in [*found, ("above", (high + exact) * step)]
    ]


def _decimal(number: Fraction) -> Decimal:
    return Decimal(number.numerator) / Decimal(number.denominator)
