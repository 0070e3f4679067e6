"""Conditions as regions: what they say of the values of their quantities, tried cell by cell.

A comparison with a number only changes its answer at that number, so one value at every number and
one between each two stand for all values. What is no comparison with a number (a population, a
limit, `is known`) is tried both true and false, independently: this tries more than can happen, so
what holds in every trial holds at the bench.
"""

import operator
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, product
from math import prod
from typing import Any, NamedTuple, TypeAlias

Key: TypeAlias = tuple[Any, ...]
Trial: TypeAlias = Mapping[Key, Any]
Bounds: TypeAlias = tuple[Decimal | None, Decimal | None]

_SIGNS: dict[str, Callable[[Any, Any], bool]] = {
    ">": operator.gt,
    ">=": operator.ge,
    "<": operator.lt,
    "<=": operator.le,
    "=": operator.eq,
}
_MOST = 4096  # trials of one question; more are not tried, and nothing is said


class Region(NamedTuple):
    """A condition: its answer in a trial, the numbers at which it changes, and its open facts."""

    holds: Callable[[Trial], bool]
    numbers: Mapping[Key, frozenset[Decimal]] = {}
    facts: frozenset[Key] = frozenset()

    @property
    def keys(self) -> frozenset[Key]:
        """Everything the answer rests on."""
        return self.facts | set(self.numbers)


def against(key: Key, sign: str, number: Decimal) -> Region:
    """Return the comparison of a quantity with a number."""
    compare, exact = _SIGNS[sign], Fraction(number)
    return Region(lambda trial: compare(trial[key], exact), {key: frozenset({number})})


def fact(key: Key) -> Region:
    """Return a condition of which nothing is known but its name."""
    return Region(lambda trial: bool(trial[key]), facts=frozenset({key}))


def every(parts: list[Region]) -> Region:
    """Return the region where all parts hold."""
    return _joined(parts, lambda trial: all(part.holds(trial) for part in parts))


def some(parts: list[Region]) -> Region:
    """Return the region where any part holds."""
    return _joined(parts, lambda trial: any(part.holds(trial) for part in parts))


def implication(narrow: Region, wide: Region) -> Region | None:
    """Return the region where `wide` holds or `narrow` does not.

    None where `wide` rests on anything that `narrow` says nothing about: nobody can tell then.
    """
    if not wide.keys <= narrow.keys:
        return None
    return _joined([narrow, wide], lambda trial: wide.holds(trial) or not narrow.holds(trial))


def outside(part: Region) -> Region:
    """Return the region where a condition does not hold."""
    return part._replace(holds=lambda trial: not part.holds(trial))


class Answer(NamedTuple):
    """What trying a condition said: its one answer or None, and the number of trials it took."""

    trials: int
    one: bool | None


class Trials:
    """Tries regions; `bounds` is what can be measured of a quantity, `most` bounds the work."""

    def __init__(self, bounds: Callable[[Key], Bounds], most: int = 400_000) -> None:
        self._bounds, self._left = bounds, most

    def one_answer(self, tried: Answer) -> bool | None:
        """Return the one answer, None when there are both, or trying took longer than is left."""
        if tried.trials > min(_MOST, self._left):
            return None
        self._left -= tried.trials
        return tried.one

    def tried(self, region: Region | None) -> Answer:
        """Try a region in every way; it counts as having both answers where there is none."""
        if region is None:
            return Answer(0, None)
        choices: dict[Key, Sequence[Any]] = dict.fromkeys(region.facts, (True, False))
        for key, numbers in region.numbers.items():
            choices[key] = _cells(numbers, *self._bounds(key))
        count = prod(map(len, choices.values()))
        if count > _MOST:
            return Answer(count, None)
        trials = (dict(zip(choices, each, strict=True)) for each in product(*choices.values()))
        answers = {region.holds(trial) for trial in trials}
        one = answers.pop() if len(answers) == 1 else None
        return Answer(count, one)


def _cells(numbers: frozenset[Decimal], *bounds: Decimal | None) -> list[Fraction]:
    """Return one value of every cell from just below what can be measured to just above.

    The cells beyond stand for `<0.2` and `>20.0`.
    """
    low, high = (None if end is None else Fraction(end) for end in bounds)
    ends = sorted({*map(Fraction, numbers), *(end for end in (low, high) if end is not None)})
    values = [ends[0] - 1, ends[0]]
    for before, end in pairwise(ends):
        values += [(before + end) / 2, end]
    values.append(ends[-1] + 1)
    first = 0 if low is None else values.index(low) - 1
    last = len(values) - 1 if high is None else values.index(high) + 1
    return values[first : last + 1]


def _joined(parts: list[Region], holds: Callable[[Trial], bool]) -> Region:
    numbers: dict[Key, frozenset[Decimal]] = {}
    for part in parts:
        for key, some_numbers in part.numbers.items():
            numbers[key] = numbers.get(key, frozenset()) | some_numbers
    return Region(holds, numbers, frozenset[Key]().union(*(part.facts for part in parts)))
