"""Finds results from which a derived result comes out at a wanted value."""

from collections.abc import Iterator, Mapping
from decimal import Decimal, DecimalException

from msgspec.structs import replace

from verifier.assurance.cases import case_of
from verifier.assurance.grid import number, step_of
from verifier.facts.values import TITER
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep

_USUAL = ("reference", "autorelease", "measurable")
_NUDGES = (0, 1, -1)  # steps about the solution, where the formula rounds


def usual(program: Program, test: str) -> Decimal:
    """Return a value in the middle of what is usual for a test, as it would be reported."""
    for kind in _USUAL:
        for row in program.tables.rows.get((test, kind), ()):
            for part in row.stretches:
                if part.low is not None and part.high is not None:
                    middle = (part.low + part.high) / 2
                    step = (
                        Decimal(1)
                        if row.unit == TITER
                        else step_of(part.low, program.decimals(test))
                    )
                    return middle.quantize(step)
    return Decimal(100)


def given_for(
    program: Program, derived: str, wanted: Decimal, whom: ScenarioStep
) -> ScenarioStep | None:
    """Return a step of a scenario in which a derived result is exactly `wanted`, if one is found.

    One input after the other is moved, with the others at their usual values: most formulas are
    straight lines in at least one of them. The smallest move counts.
    """
    values = {test: usual(program, test) for test in program.inputs(derived)}
    found: list[tuple[Decimal, ScenarioStep]] = []
    for test, here in values.items():
        for moved in _solutions(program, derived, wanted, whom, values, test):
            step = _step(program, whom, values | {test: moved})
            if moved > 0 and value_of(program, derived, step) == wanted:
                found.append((abs(moved - here) / here, step))
                break
    return min(found, key=lambda item: item[0])[1] if found else None


def _solutions(
    program: Program,
    derived: str,
    wanted: Decimal,
    whom: ScenarioStep,
    values: Mapping[str, Decimal],
    test: str,
) -> Iterator[Decimal]:
    here = values[test]
    there = here * 2
    first = value_of(program, derived, _step(program, whom, values))
    second = value_of(program, derived, _step(program, whom, {**values, test: there}))
    if first is None or second is None or first == second:
        return
    try:
        exact = here + (wanted - first) * (there - here) / (second - first)
        fine = step_of(here, program.decimals(test))
        for nudge in _NUDGES:
            yield exact.quantize(fine) + nudge * fine
    except DecimalException:
        return


def value_of(program: Program, name: str, step: ScenarioStep) -> Decimal | None:
    """Return the exact value of a test or derived result in the case of one step."""
    value = program.scene(case_of(program.catalogue, [step])).values[name]
    return value if isinstance(value, Decimal) else None


def _step(program: Program, whom: ScenarioStep, values: Mapping[str, Decimal]) -> ScenarioStep:
    tests = program.catalogue.tests
    given = tuple((name, number(value, tests[name])) for name, value in values.items())
    return replace(whom, results=given)
