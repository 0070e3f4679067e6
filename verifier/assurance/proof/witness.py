"""From what the solver found to a case: the facts by name, as they would be given."""

from collections.abc import Mapping
from datetime import timedelta
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from typing import Any

import z3
from msgspec import Struct

from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.quantities import Quantity
from verifier.assurance.proof.reals import fixed
from verifier.facts.case import Control
from verifier.facts.values import Between, Number, Titer, TiterBetween, Unreadable, Value

_UNASKED = {"sex": "F"}  # what a case says though nothing depends on it
_DIGITS = Context(prec=30, rounding=ROUND_HALF_EVEN)


class Before(Struct, frozen=True):
    """An earlier result: how long before this specimen it was taken, and what it was."""

    test: str
    value: Value
    ago: timedelta


class Witness(Struct, frozen=True):
    """Facts of a case. `birth` are the least and the most days of age, None without birth date.

    `specimen` and the values of `attributes` are "" where they are not stated. `several` are tests
    with more than one value, `left` those whose result left with an earlier message, `times` the
    ages of the specimen when tests were measured ("" is the first).
    """

    birth: tuple[int, int] | None
    sex: str
    specimen: str
    attributes: Mapping[str, str]
    collected: bool
    results: Mapping[str, Value]
    several: frozenset[str]
    left: frozenset[str]
    earlier: tuple[Before, ...]
    preceding: Mapping[str, Value]
    quality: Mapping[str, Control]
    times: Mapping[str, timedelta | None]
    elapsed: timedelta


class Reading:
    """Reads the facts of a case out of a model of the solver."""

    def __init__(self, facts: Facts, model: Any, titers: frozenset[str]) -> None:
        self._facts, self._model, self._titers = facts, model, titers

    def true(self, formula: Any) -> bool:
        """Return whether a formula is true; what nothing depends on is false."""
        if isinstance(formula, bool):
            return formula
        return bool(z3.is_true(self._model.eval(formula, model_completion=True)))

    def number(self, term: Any) -> Decimal:
        """Return a number, at 30 digits where it has no end."""
        return decimal(self.fraction(term))

    def fraction(self, term: Any) -> Fraction:
        """Return a number."""
        if fixed(term):
            return Fraction(term)
        found = self._model.eval(term, model_completion=True)
        if z3.is_algebraic_value(found):
            found = found.approx(30)
        return Fraction(found.as_fraction() if z3.is_rational_value(found) else found.as_long())

    def witness(self) -> Witness:
        """Return everything the solver decided."""
        facts = self._facts
        return Witness(
            birth=self._birth(),
            sex=self._word("sex", other="O"),
            specimen=self._word("specimen", other="other"),
            attributes={
                what.removeprefix("attribute "): said
                for what in facts.words
                if what.startswith("attribute ") and (said := self._word(what, other="other"))
            },
            collected=(
                facts.flags.get("collection time") is not None and self.true(facts.collected)
            )
            or "collection time" not in facts.flags,
            results={
                name: self._value(name, measured.value)
                for name, measured in facts.tests.items()
                if self.true(measured.present)
            },
            several=self._flagged(".several"),
            left=self._flagged(".left before"),
            earlier=tuple(self._earlier()),
            preceding={
                name: self._value(name, before.value)
                for name, before in facts.before.items()
                if not name.startswith("one of several ") and self.true(before.present)
            },
            quality={name: self._control(*state) for name, state in facts.controls.items()},
            times={
                name: self._span(value) if self.true(known) else None
                for name, (known, value) in facts.ages.items()
            },
            elapsed=self._span(facts.elapsed),
        )

    def _birth(self) -> tuple[int, int] | None:
        if not self.true(self._facts.flags.get("birth date", True)):
            return None
        if "birth date" not in self._facts.flags:
            return 14_620, 14_620  # nobody asks: forty years
        least, most = (self.fraction(z3.Real(name)) for name in ("age", "age at most"))
        return least.__floor__(), most.__floor__()

    def _word(self, what: str, other: str) -> str:
        known = self._facts.flags.get(f"{what}.known")
        if known is None:
            return _UNASKED.get(what, "")
        if not self.true(known):
            return ""
        said = [word for word, is_it in self._facts.words[what].items() if self.true(is_it)]
        return said[0] if said else other

    def _flagged(self, ending: str) -> frozenset[str]:
        return frozenset(
            name.removesuffix(ending)
            for name, flag in self._facts.flags.items()
            if name.endswith(ending) and self.true(flag)
        )

    def _control(self, inside: Any, outside: Any) -> Control:
        if self.true(inside):
            return "in control"
        return "out of control" if self.true(outside) else "unknown"

    def _span(self, seconds: Any) -> timedelta:
        return timedelta(seconds=float(self.fraction(seconds)))

    def _value(self, test: str, found: Quantity) -> Value:
        titer = test in self._titers
        if self.true(found.exact):
            value = self.number(found.value.above)
            return Titer(value) if titer else Number(value)
        if found.range is None or not self.true(found.ranged):
            return Unreadable("?", "'?' can not be read")
        ends = found.range
        low = self.number(ends.low) if self.true(ends.has_low) else None
        high = self.number(ends.high) if self.true(ends.has_high) else None
        kind = TiterBetween if titer else Between
        return kind(
            low,
            high,
            low is not None and self.true(ends.low_in),
            high is not None and self.true(ends.high_in),
        )

    def _earlier(self) -> list[Before]:
        found = []
        for name, newest in self._facts.past.items():
            if self.true(newest.present):
                value = self._value(name, newest.value)
                found.append(Before(name, value, self._span(newest.ago)))
                found += self._older(name, value)
        return found

    def _older(self, name: str, newest: Value) -> list[Before]:
        """Return what else has to have been measured for the lowest, highest and median."""
        found: list[Before] = []
        windows = sorted(seconds for test, seconds in self._facts.summaries if test == name)
        count = 1
        for seconds in windows:
            numbers, *asked = self._facts.summaries[name, seconds]
            window = timedelta(seconds=seconds)
            if not self.true(self._facts.within(name, window)):
                continue
            if not self.true(numbers):
                if isinstance(newest, Number):
                    found.append(Before(name, Between(None, newest.value), window))
                return found
            low, high, middle = (self.number(term) for term in asked)
            if isinstance(newest, Number) and low == high == newest.value:
                continue
            values = [low, high, *[middle] * (count + 3)]
            count += len(values)
            found += [Before(name, Number(value), window) for value in values]
        return found


def decimal(value: Fraction) -> Decimal:
    """Return a fraction as a decimal number, at 30 digits where it has no end."""
    return _DIGITS.divide(Decimal(value.numerator), Decimal(value.denominator))
