"""Leads the solver to a case a person can read: few facts, usual values, numbers as reported."""

from collections.abc import Callable, Iterable, Iterator
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import z3

from verifier.assurance.grid import step_of
from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.quantities import Quantity
from verifier.assurance.proof.reals import term
from verifier.assurance.proof.release import Ruled
from verifier.assurance.proof.search import Cases
from verifier.assurance.proof.truths import Bool, every, negated
from verifier.assurance.proof.witness import decimal
from verifier.assurance.solving import usual
from verifier.facts.ages import anniversary
from verifier.language.stretches import extent

_MOST = 2.0  # seconds for one wish
TAKEN = date(2026, 3, 1)  # the day of every scenario


def only_sent(facts: Facts) -> Iterator[Bool]:
    """Yield what has to be true of a case that is written here as messages."""
    yield facts.collected
    yield from (negated(flag) for name, flag in facts.flags.items() if name.endswith(".several"))
    if "birth date" in facts.flags:
        yield z3.Real("age") == z3.Real("age at most")
        yield z3.Real("age") >= 0
        yield z3.IsInt(z3.Real("age"))
    yield from calendar(facts)
    yield from one_time(facts)
    for newest in facts.past.values():
        yield z3.Implies(newest.present, newest.value.known)
        yield z3.IsInt(newest.ago / 60)
    for name, before in facts.before.items():
        if not name.startswith("one of several "):
            yield z3.Implies(before.present, before.value.known)
            # an analyzer is asked what it measured before of what it measured now
            yield z3.Implies(before.present, facts.test(name).present)
    yield z3.And(facts.elapsed >= 0, z3.IsInt(facts.elapsed / 60))
    for found in _quantities(facts):
        yield z3.And(found.value.above > -(10**9), found.value.above < 10**9)


def only_written(facts: Facts) -> Iterator[Bool]:
    """Yield what more has to be true of a case that can be given in a scenario."""
    for found in _quantities(facts):
        yield found.value.above >= 0
        if found.range:
            both = z3.And(found.range.has_low, found.range.has_high)
            yield z3.Implies(found.ranged, z3.Not(both))
            yield z3.And(found.range.low >= 0, found.range.high >= 0)


def calendar(facts: Facts) -> Iterator[Bool]:
    """Yield how many days months are on the day of scenarios."""
    for months, (young, old) in facts.reached.items():
        days = fewest_days(months)
        yield young == (z3.Real("age") >= days)
        yield old == (z3.Real("age at most") >= days)


def fewest_days(months: int) -> int:
    """Return the days in which so many months are completed on the day of scenarios."""
    days = (TAKEN - anniversary(TAKEN, -months, "months")).days
    while anniversary(date.fromordinal(TAKEN.toordinal() - days), months, "months") > TAKEN:
        days += 1
    while anniversary(date.fromordinal(TAKEN.toordinal() - days + 1), months, "months") <= TAKEN:
        days -= 1
    return days


def one_time(facts: Facts) -> Iterator[Bool]:
    """Yield that all tests are measured at one time, to the minute."""
    for known, value in facts.ages.values():
        yield known
        yield value == z3.Real("specimen age")
        yield z3.IsInt(value / 60)


def _quantities(facts: Facts) -> Iterator[Quantity]:
    yield from (measured.value for measured in facts.tests.values())
    yield from (before.value for before in facts.before.values())
    yield from (newest.value for newest in facts.past.values())


class Liking:
    """Takes one wish after the other, and keeps those that leave a case, as long as there is time.

    `left` returns the seconds that are left; a wish has at most a few of them.
    """

    def __init__(self, ruled: Ruled, facts: Facts, cases: Cases, left: Callable[[], float]) -> None:
        self._ruled, self._facts, self._cases, self._left = ruled, facts, cases, left
        self.model: Any = None

    def wish(self, *wishes: Bool) -> bool:
        """Keep some wishes together if there still is a case."""
        wanted = every(wishes)
        if wanted is True:
            return True
        left = self._left()
        if left <= 0 or wanted is False:
            return False
        model = self._cases.narrowed(wanted, left if self.model is None else min(left, _MOST))
        if model is None:
            return False
        self.model = model
        return True

    def wish_each(self, wishes: Iterable[Bool]) -> None:
        """Keep all wishes, or halves of them, down to those that can not be kept."""
        found = list(wishes)
        if not found or self.wish(*found) or len(found) == 1:
            return
        middle = len(found) // 2
        self.wish_each(found[:middle])
        self.wish_each(found[middle:])

    def all(self, test: str, named: Iterable[str]) -> None:
        """Wish for everything that makes a case about a test easy to read."""
        facts, near = self._facts, {test, *named}
        flags = [f for name, f in facts.flags.items() if name.endswith(".left before")]
        self.wish_each(negated(flag) for flag in flags)
        self.wish_each(negated(newest.present) for newest in facts.past.values())
        self.wish_each(negated(before.present) for before in facts.before.values())
        others = [measured for name, measured in facts.tests.items() if name not in near]
        self.wish_each(negated(measured.present) for measured in others)
        self.wish_each(
            negated(m.present) for n, m in facts.tests.items() if n != test and n in near
        )
        self.wish_each(negated(found.ranged) for found in _quantities(facts))
        self.wish_each(
            measured.value.known
            for measured in facts.tests.values()
            if self.model is not None and z3.is_true(self.model.eval(measured.present))
        )
        self.wish_each(inside for inside, _ in facts.controls.values())
        self._patient()
        self.wish(facts.elapsed == 0)
        self.wish_each(value == 3600 for _, value in facts.ages.values())
        self._times()
        self._values()

    def _patient(self) -> None:
        facts = self._facts
        said = [flag for name, flag in facts.flags.items() if name.startswith("attribute ")]
        self.wish_each(negated(flag) for flag in said)
        if "birth date" in facts.flags:
            self.wish(facts.flags["birth date"])
            age = z3.Real("age")
            self.wish(age == 14_610) or self.wish(age == 3_653)
        if "sex" in facts.words:
            sex = facts.words["sex"]
            known = facts.flags["sex.known"]
            self.wish(known, sex["F"]) or self.wish(known, sex["M"])
        if "specimen" in facts.words and not self.wish(negated(facts.flags["specimen.known"])):
            self.wish_each([facts.flags["specimen.known"]])
            any(self.wish(word) for word in facts.words["specimen"].values())

    def _times(self) -> None:
        for newest in self._facts.past.values():
            if self._true(newest.present):
                any(self.wish(newest.ago == seconds) for seconds in (86_400, 3_600, 604_800))
                self.wish(newest.ago == term(self._now(newest.ago)))
        for (name, _), (numbers, low, high, middle) in self._facts.summaries.items():
            last = self._facts.past[name].value
            self.wish(numbers)
            self.wish(low == last.value.above, high == last.value.above)
            self.wish(middle == low) or self.wish(middle == high)

    def _values(self) -> None:
        for name, measured in self._facts.tests.items():
            self._plain(name, measured.present, measured.value)
        for name, newest in self._facts.past.items():
            self._plain(name, newest.present, newest.value)
        for name, before in self._facts.before.items():
            self._plain(name.removeprefix("one of several "), before.present, before.value)
        for (name, _), (_, *asked) in self._facts.summaries.items():
            if self._true(self._facts.past[name].present):
                for part in asked:
                    self._round(name, part)

    def _plain(self, name: str, present: Any, found: Quantity) -> None:
        if not self._true(present) or self.model is None:
            return
        if self._true(found.exact):
            self.wish(found.value.above > 0)
            self.wish_each(_likely(self._ruled, name, found.value.above))
            self.wish(
                found.exact, found.value.above == term(_fraction(usual(self._ruled.program, name)))
            )
            self._round(name, found.value.above)
        elif found.range is not None and self._true(found.ranged):
            for end, here in (
                (found.range.low, found.range.has_low),
                (found.range.high, found.range.has_high),
            ):
                if self._true(here):
                    self._round(name, end)

    def _round(self, name: str, part: Any) -> None:
        """Fix a number at one that can be reported, as near as can be to where it is."""
        here = self._now(part)
        decimals = self._ruled.program.decimals(name)
        for more in range(5):
            step = _fraction(step_of(decimal(here), (decimals or 0) + more))
            low = here // step * step
            tries = dict.fromkeys((low, low + step, low - step, low + 2 * step))
            if any(self.wish(part == term(value)) for value in tries):
                return

    def _true(self, formula: Bool) -> bool:
        if isinstance(formula, bool):
            return formula
        return self.model is not None and z3.is_true(
            self.model.eval(formula, model_completion=True)
        )

    def _now(self, part: Any) -> Fraction:
        found = self.model.eval(part, model_completion=True)
        if z3.is_algebraic_value(found):
            found = found.approx(12)
        return Fraction(found.as_fraction())


def _fraction(value: Decimal) -> Fraction:
    return Fraction(value)


def _likely(ruled: Ruled, name: str, value: Any) -> Iterator[Bool]:
    """Yield that a value lies where those of living people do, and where analyzers measure."""
    for kind in ("possible", "measurable"):
        for row in ruled.program.tables.rows.get((name, kind), ()):
            low, high = extent(row.stretches)
            if low is not None:
                yield value >= term(Fraction(low))
            if high is not None:
                yield value <= term(Fraction(high))
