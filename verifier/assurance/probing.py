"""Looks for a case that two rule sets decide differently: cases about what a mistake touches."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from hashlib import blake2b
from itertools import chain, combinations, islice, product
from typing import Any, TypeAlias

from msgspec.structs import replace

from verifier.assurance.aiming import against_past, at_derived
from verifier.assurance.grid import around, number, step_of
from verifier.assurance.persons import SOMEBODY, Persons, nodes
from verifier.assurance.solving import usual
from verifier.facts.case import Control
from verifier.facts.values import TITER
from verifier.language import kinds, tree
from verifier.language.givens import Given, ranged
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep

MOST = 600  # cases tried for one mistake
_MOST_TESTS, _MOST_PERSONS, _MOST_VALUES, _MOST_WRITTEN = 6, 10, 14, 3
_DAY = timedelta(days=1)
_FACTORS = (Fraction(1, 2), Fraction(9, 10), Fraction(1), Fraction(11, 10), Fraction(2))
_AGES = (timedelta(minutes=30), timedelta(hours=3), timedelta(hours=9), timedelta(hours=30))
_STATES: tuple[Control, ...] = ("out of control", "unknown")

Dimension: TypeAlias = list[Any]  # what one thing that is given can be; the first is the usual


class Draw:
    """Numbers that look drawn and are the same for the same seed, on every machine."""

    def __init__(self, seed: int) -> None:
        self._seed, self._drawn = seed, 0

    def number(self) -> int:
        """Return the next number."""
        self._drawn += 1
        text = f"{self._seed}:{self._drawn}".encode()
        return int.from_bytes(blake2b(text, digest_size=8).digest())


class Probes:
    """The cases to try for a mistake in one statement of a rule set."""

    def __init__(self, program: Program, persons: Persons, seed: int) -> None:
        self._program, self._persons, self._seed = program, persons, seed
        self._tests = program.catalogue.tests

    def of(self, statement: tree.Declaration) -> Iterator[ScenarioStep]:
        """Yield cases, simple ones first, at most `MOST`."""
        about = self._about(statement)
        tests = self._named(about)
        named = dict.fromkeys((*self._judged(statement), *tests))
        yield from at_derived(self._program, about)
        yield from against_past(self._program, about, list(named))
        for main in list(named)[:_MOST_TESTS] or [""]:
            chosen = list(dict.fromkeys(([main] if main else []) + tests))[: _MOST_TESTS + 1]
            yield from self._cases(about, chosen, MOST // min(len(named) or 1, _MOST_TESTS))

    # --- what a mistake is about ---

    def _about(self, statement: tree.Declaration) -> list[tree.Declaration]:
        """Return the statement with those that decide what it says, or that speak of it."""
        names = {statement.name.text} if not isinstance(statement, tree.Limits) else set[str]()
        speaking = [
            item
            for item in self._program.statements
            if isinstance(item, tree.Rule | tree.Limits | tree.Derive) and names & _spoken_of(item)
        ]
        return [statement, *speaking[:_MOST_TESTS]]

    def _judged(self, statement: tree.Declaration) -> list[str]:
        match statement:
            case tree.Limits(tests=tests):
                return self._inputs([word.text for word in tests])
            case tree.Rule(tests=None, excluded=excluded):
                left_out = {word.text for word in excluded}
                return [name for name in self._tests if name not in left_out]
            case tree.Rule(tests=tests) if tests:
                return self._inputs([word.text for word in tests])
        return []

    def _named(self, about: Sequence[tree.Declaration]) -> list[str]:
        names = [name for item in about for name in sorted(_spoken_of(item))]
        for item in about[1:]:
            names += self._judged(item)[:1]
        return self._inputs(names)

    def _inputs(self, names: Sequence[str]) -> list[str]:
        """Return the tests among names; of a derived result those it is worked out from."""
        derived = {d.name.text for d in self._program.statements if isinstance(d, tree.Derive)}
        found: dict[str, None] = {}
        for name in names:
            inputs = self._program.inputs(name) if name in derived else (name,)
            found |= {test: None for test in inputs if test in self._tests}
        return list(found)

    # --- cases ---

    def _cases(
        self, about: Sequence[tree.Declaration], tests: list[str], most: int
    ) -> Iterator[ScenarioStep]:
        choices: list[Dimension] = [list(self._whom()), *(self._values(about, t) for t in tests)]
        choices.append([(), *self._earlier(about, tests)])
        choices.append(self._specimen_ages(about))
        choices.append([(), *self._states(about, tests)])
        choices.append([(), *self._preceding(about, tests)])
        near = [self._near(about, test) for test in tests]
        tried = chain(_beside(choices, near), _combined(choices, Draw(self._seed)))
        for chosen in islice(tried, most):
            step = self._step(tests, chosen)
            if step.results:
                yield step

    def _near(self, about: Sequence[tree.Declaration], test: str) -> list[Given]:
        """Return the values beside the numbers that conditions name."""
        known = self._tests[test]
        titer = known.kind == "titer"
        written = list(dict.fromkeys(self._written(about[:1], test)))[:_MOST_WRITTEN]
        found = dict.fromkeys(v for e in written for _, v in around(e, known.decimals, titer))
        return [number(value, known) for value in found if value >= 0]

    def _step(self, tests: Sequence[str], chosen: Sequence[Any]) -> ScenarioStep:
        whom, *values, earlier, age, quality, preceding = chosen
        given = ((test, value) for test, value in zip(tests, values, strict=True) if value)
        made: ScenarioStep = replace(
            whom, results=tuple(given), earlier=earlier, specimen_age=age, quality=quality,
            preceding=preceding,
        )  # fmt: skip
        return made

    def _whom(self) -> Iterator[ScenarioStep]:
        every = self._persons.all
        some = every[:: max(1, len(every) // _MOST_PERSONS)][:_MOST_PERSONS]
        yield from (SOMEBODY, *self._persons.simple, *some)
        yield replace(SOMEBODY, age=None, sex="")

    def _values(self, about: Sequence[tree.Declaration], test: str) -> list[Given | None]:
        known = self._tests[test]
        found: dict[Decimal, None] = {usual(self._program, test): None}
        rows = [
            row
            for (name, _), rows in self._program.tables.rows.items()
            if name == test
            for row in rows
        ]
        spans = {item.span for item in about if isinstance(item, tree.Limits)}
        rows.sort(key=lambda row: not any(_inside(row.span, span) for span in spans))
        edges = [
            *self._written(about, test),
            *(e for r in rows for p in r.stretches for e in (p.low, p.high)),
        ]
        for edge in [edge for edge in edges if edge is not None][:_MOST_VALUES]:
            found |= {v: None for _, v in around(edge, known.decimals, known.kind == "titer")}
        positive = [value for value in found if value >= 0]
        made: list[Given | None] = [number(value, known) for value in positive]
        if known.kind != "titer":
            made.append(ranged(">", positive[0]))
        return [*made, None]

    def _written(self, about: Sequence[tree.Declaration], test: str) -> Iterator[Decimal]:
        """Yield the numbers written in conditions, in the unit of a test where they fit it."""
        known = self._tests[test]
        wanted = kinds.number(known.unit, known.molar_mass) if known.unit else kinds.PLAIN
        if known.kind == "titer":
            wanted = kinds.TITER
        for item in about:
            for amount in nodes(item, tree.Amount) if not isinstance(item, tree.Limits) else ():
                unit = amount.unit
                if unit is None or unit == TITER:
                    yield amount.value
                    continue
                written = kinds.number(unit)
                factor = kinds.ratio(written, wanted) if written and wanted else None
                if factor:
                    value = amount.value * factor.numerator / factor.denominator
                    yield value.quantize(step_of(amount.value, known.decimals))

    def _earlier(
        self, about: Sequence[tree.Declaration], tests: Sequence[str]
    ) -> Iterator[tuple[tuple[str, Given, timedelta], ...]]:
        looking = any(
            True
            for item in about
            for kind in (tree.History, tree.ChangedTooMuch, tree.ChangeRow)
            for _ in nodes(item, kind)
        )
        if not looking:
            return
        windows = {_DAY, *self._windows(about)}
        for test in tests[:2]:
            known, middle = self._tests[test], usual(self._program, test)
            step = step_of(middle, known.decimals)
            for factor in _FACTORS:
                value = (middle * factor.numerator / factor.denominator).quantize(step)
                if known.kind == "titer":
                    value = max(Decimal(1), value.quantize(Decimal(1)))
                for before in sorted(windows):
                    yield ((test, number(value, known), before),)

    def _windows(self, about: Sequence[tree.Declaration]) -> Iterator[timedelta]:
        lengths = {"minute": 60, "hour": 3600, "day": 86400, "week": 604800}
        for amount in (a for item in about for a in nodes(item, tree.Amount)):
            seconds = lengths.get(kinds.singular(amount.unit or ""))
            if seconds and amount.value < 400 and amount.value == amount.value.to_integral_value():
                yield timedelta(seconds=seconds * int(amount.value))

    def _specimen_ages(self, about: Sequence[tree.Declaration]) -> Dimension:
        if not any(True for item in about for _ in nodes(item, tree.SpecimenAge)):
            return [None]
        near = {w + timedelta(minutes=m) for w in self._windows(about) for m in (-1, 0, 1)}
        return [None, *_AGES, *sorted(age for age in near if age > timedelta(0))]

    def _states(
        self, about: Sequence[tree.Declaration], tests: Sequence[str]
    ) -> Iterator[tuple[tuple[str, Control], ...]]:
        if any(True for item in about for _ in nodes(item, tree.ControlIs)):
            yield from (((test, state),) for test in tests for state in _STATES)

    def _preceding(
        self, about: Sequence[tree.Declaration], tests: Sequence[str]
    ) -> Iterator[tuple[tuple[str, Given], ...]]:
        if not any(True for item in about for _ in nodes(item, tree.Preceding)):
            return
        every = [(test, usual(self._program, test)) for test in tests]
        yield tuple((test, number(value, self._tests[test])) for test, value in every)
        for test, value in every:
            for factor in (1, 10, 1000, 100_000):
                yield ((test, number(value * factor, self._tests[test])),)


def _beside(choices: Sequence[Dimension], near: Sequence[list[Given]]) -> Iterator[tuple[Any, ...]]:
    """Yield every choice of values beside the numbers written, with everything else as usual."""
    base = [choice[0] for choice in choices]
    if any(near):
        values = [found or [usual] for found, usual in zip(near, base[1:], strict=False)]
        for chosen in islice(product(*values), MOST // 2):
            yield (base[0], *chosen, *base[1 + len(chosen) :])


def _combined(choices: Sequence[Dimension], draw: Draw) -> Iterator[tuple[Any, ...]]:
    """Yield the usual, then one thing changed, then pairs in random order, then anything."""
    base = [choice[0] for choice in choices]
    yield tuple(base)
    single = [(n, item) for n, choice in enumerate(choices) for item in choice[1:]]
    for n, item in single:
        yield (*base[:n], item, *base[n + 1 :])
    pairs = [(a, b) for a, b in combinations(single, 2) if a[0] != b[0]]
    pairs.sort(key=lambda pair: draw.number())
    for (n, item), (m, other) in pairs[: MOST // 2]:
        made = list(base)
        made[n], made[m] = item, other
        yield tuple(made)
    while True:
        yield tuple(choice[draw.number() % len(choice)] for choice in choices)


def _spoken_of(item: tree.Declaration) -> set[str]:
    """Return every name a statement speaks of."""
    names = {node.name for node in nodes(item, tree.Name)}
    names |= {node.test for node in nodes(item, tree.History) if node.test}
    if isinstance(item, tree.Limits):
        names |= {row.population.text for row in item.rows if row.population}
    return names


def _inside(span: tuple[str, int, int], other: tuple[str, int, int]) -> bool:
    return span[0] == other[0] and other[1] <= span[1] and span[2] <= other[2]
