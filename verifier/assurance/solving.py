"""Finds results from which a derived result comes out at a wanted value."""

from collections.abc import Iterator, Mapping
from decimal import Decimal, DecimalException
from itertools import product

from msgspec.structs import replace

from verifier.assurance.cases import case_of
from verifier.assurance.grid import number, step_of
from verifier.facts.values import TITER
from verifier.language.limits import LimitRow
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep

_USUAL = ("reference", "autorelease", "critical", "measurable")
_ANY = Decimal(1)  # of a test without limits, such as an index
_NUDGES = (0, 1, -1)  # steps about the solution, where the formula rounds
_OTHERS = (1, -1, 2, -2, 3, -3, 5, -5, 8, -8)  # steps of another input, where that is too coarse
_STRETCH, _SECANTS, _MOST_SHRUNK = Decimal("1.25"), 8, 4
_FINE = Decimal("1e-9")


def usual(program: Program, test: str) -> Decimal:
    """Return a value in the middle of what is usual for a test, as it would be reported."""
    for kind in _USUAL:
        for row in program.tables.rows.get((test, kind), ()):
            for low, high in _both_ends(row):
                step = Decimal(1) if row.unit == TITER else step_of(low, program.decimals(test))
                return ((low + high) / 2).quantize(step)
    return _ANY


def _both_ends(row: LimitRow) -> Iterator[tuple[Decimal, Decimal]]:
    """Yield the ends of what is usual by a row: its stretches, or what critical values leave."""
    for part in row.stretches:
        if part.low is not None and part.high is not None:
            yield part.low, part.high
    highest = [part.high for part in row.stretches if part.low is None and part.high is not None]
    lowest = [part.low for part in row.stretches if part.high is None and part.low is not None]
    if highest and lowest:
        yield max(highest), min(lowest)


def given_for(
    program: Program, derived: str, wanted: Decimal, whom: ScenarioStep
) -> ScenarioStep | None:
    """Return a step of a scenario in which a derived result is exactly `wanted`, if one is found.

    One input after the other is moved, with the others at their usual values and, where formulas
    round past the wanted value, a few steps beside them. The smallest move counts.
    """
    values = {test: usual(program, test) for test in program.inputs(derived)}
    found: list[tuple[Decimal, ScenarioStep]] = []
    for test, here in values.items():
        work = _Work(program, derived, whom, values, test)
        moved = work.solved(wanted)
        for near in work.beside(moved) if moved is not None else ():
            step = _step(program, whom, near)
            if min(near.values()) > 0 and value_of(program, derived, step) == wanted:
                found.append((abs(near[test] - here) / here, step))
                break
    return min(found, key=lambda item: item[0])[1] if found else None


class _Work:
    """A derived result as a function of one of its inputs."""

    def __init__(
        self,
        program: Program,
        derived: str,
        whom: ScenarioStep,
        values: Mapping[str, Decimal],
        test: str,
    ) -> None:
        self._program, self._derived, self._whom = program, derived, whom
        self._values, self._test = values, test

    def _at(self, value: Decimal) -> Decimal | None:
        step = _step(self._program, self._whom, {**self._values, self._test: value})
        scene = self._program.scene(case_of(self._program.catalogue, [step]))
        rounded = scene.values[self._derived]
        exact = scene.exact.get(self._derived, rounded)
        return exact if isinstance(exact, Decimal) else None

    def solved(self, wanted: Decimal) -> Decimal | None:
        """Return where the result is about `wanted`, by secants, None where they lead nowhere."""
        here = self._values[self._test]
        before, there = here, here * _STRETCH
        first, second = self._at(before), self._at(there)
        try:
            for _ in range(_SECANTS):
                if first is None or second is None or first == second:
                    break
                ahead = there + (wanted - second) * (there - before) / (second - first)
                before, first = there, second
                there = max(ahead, there / _MOST_SHRUNK).quantize(_FINE)
                second = self._at(there)
        except DecimalException:
            return None
        return there if second is not None else None

    def beside(self, moved: Decimal) -> Iterator[dict[str, Decimal]]:
        """Yield the inputs with the moved one as it can be reported, then with others beside."""
        decimals = self._program.decimals
        fine = step_of(self._values[self._test], decimals(self._test))
        near = [moved.quantize(fine) + nudge * fine for nudge in _NUDGES]
        yield from ({**self._values, self._test: value} for value in near)
        for other in self._values:
            if other != self._test:
                step = step_of(self._values[other], decimals(other))
                for nudge, value in product(_OTHERS, near):
                    beside = self._values[other] + nudge * step
                    yield {**self._values, self._test: value, other: beside}


def value_of(program: Program, name: str, step: ScenarioStep) -> Decimal | None:
    """Return the exact value of a test or derived result in the case of one step."""
    value = program.scene(case_of(program.catalogue, [step])).values[name]
    return value if isinstance(value, Decimal) else None


def _step(program: Program, whom: ScenarioStep, values: Mapping[str, Decimal]) -> ScenarioStep:
    tests = program.catalogue.tests
    given = tuple((name, number(value, tests[name])) for name, value in values.items())
    return replace(whom, results=given)
