"""Everything that can be known of a case, as variables: each fact may be missing.

One `Facts` serves all rule sets that are looked at together: they judge the same case.
"""

from collections.abc import Iterable
from datetime import date, timedelta
from functools import lru_cache
from itertools import combinations
from typing import Any, NamedTuple

import z3

from verifier.assurance.proof.quantities import Quantity, Range
from verifier.assurance.proof.reals import Value
from verifier.assurance.proof.truths import Bool, Truth, every, negated, where_known
from verifier.facts.ages import Span, anniversary

_MONTHS = {"months": 1, "years": 12}
_DAYS = {"days": 1, "weeks": 7}


class Measured(NamedTuple):
    """A test in the specimen: whether there is a result, and what it says."""

    present: Any
    value: Quantity


class Earlier(NamedTuple):
    """The newest earlier result of a test, and how many seconds before this one it was taken."""

    present: Any
    ago: Any
    value: Quantity


class Facts:
    """Makes the variables of a case when they are first asked for, and what is true of them."""

    def __init__(self) -> None:
        self.axioms: list[Bool] = []
        self.tests: dict[str, Measured] = {}
        self.past: dict[str, Earlier] = {}
        self.before: dict[str, Measured] = {}
        self.ages: dict[str, tuple[Any, Any]] = {}
        self.summaries: dict[tuple[str, int], tuple[Any, Any, Any, Any]] = {}
        self.words: dict[str, dict[str, Any]] = {}
        self.reached: dict[int, tuple[Any, Any]] = {}
        self.controls: dict[str, tuple[Any, Any]] = {}
        self.flags: dict[str, Any] = {}

    def flag(self, name: str) -> Any:
        """Return a truth of its own."""
        if name not in self.flags:
            self.flags[name] = z3.Bool(name)
        return self.flags[name]

    # --- values ---

    def _quantity(self, name: str, present: Any) -> Quantity:
        exact, ranged = z3.Bool(f"{name}.exact"), z3.Bool(f"{name}.ranged")
        bools = (z3.Bool(f"{name}.{part}") for part in ("has low", "low in", "has high", "high in"))
        has_low, low_in, has_high, high_in = bools
        low, high = z3.Real(f"{name}.low"), z3.Real(f"{name}.high")
        self.axioms += [
            z3.Implies(z3.Or(exact, ranged), present),
            z3.Not(z3.And(exact, ranged)),
            z3.Implies(ranged, z3.Or(has_low, has_high)),
            # a range holds a number: its ends meet only where both belong to it
            z3.Implies(z3.And(has_low, has_high), low <= high),
            z3.Implies(z3.And(has_low, has_high, low == high), z3.And(low_in, high_in)),
        ]
        ends = Range(has_low, low, low_in, has_high, high, high_in)
        return Quantity(exact, Value(z3.Real(name)), ranged, ends)

    def test(self, name: str) -> Measured:
        """Return the result of a test in this specimen; several are none to work with."""
        if name not in self.tests:
            present = z3.Bool(f"{name}.present")
            self.tests[name] = Measured(present, self._quantity(name, present))
        return self.tests[name]

    def preceding(self, name: str) -> Quantity:
        """Return the value the analyzer measured just before."""
        if name not in self.before:
            present = z3.Bool(f"preceding {name}.present")
            value = self._quantity(f"preceding {name}", present)
            self.before[name] = Measured(present, value)
        return self.before[name].value

    def one_of_several(self, name: str) -> Quantity:
        """Return one of several values of a test, where there are several."""
        several = self.flag(f"{name}.several")
        measured = self.test(name)
        key = f"one of several {name}"
        if key not in self.before:
            self.axioms.append(
                z3.Implies(several, z3.And(measured.present, z3.Not(measured.value.known)))
            )
            self.before[key] = Measured(several, self._quantity(key, several))
        return self.before[key].value

    def control(self, name: str) -> Truth:
        """Return whether a test is in control (yes) or out of it (no)."""
        if name not in self.controls:
            inside, outside = z3.Bool(f"{name}.in control"), z3.Bool(f"{name}.out of control")
            self.axioms.append(z3.Not(z3.And(inside, outside)))
            self.controls[name] = inside, outside
        return Truth(*self.controls[name])

    # --- earlier results ---

    @property
    def collected(self) -> Any:
        """Whether the collection time is known."""
        return self.flag("collection time")

    def earlier(self, name: str) -> Earlier:
        """Return the newest earlier result of a test."""
        if name not in self.past:
            present, ago = z3.Bool(f"earlier {name}.present"), z3.Real(f"earlier {name}.ago")
            self.axioms.append(ago > 0)
            self.past[name] = Earlier(present, ago, self._quantity(f"earlier {name}", present))
        return self.past[name]

    def within(self, name: str, window: timedelta) -> Bool:
        """Return whether there is an earlier result within a window."""
        newest = self.earlier(name)
        return every((self.collected, newest.present, newest.ago <= _seconds(window)))

    def previous(self, name: str, window: timedelta) -> Quantity:
        """Return the newest earlier value within a window."""
        here, value = self.within(name, window), self.earlier(name).value
        exact, ranged = every((here, value.exact)), every((here, value.ranged))
        return Quantity(exact, value.value, ranged, value.range)

    def summary(self, name: str, function: str, window: timedelta) -> Quantity:
        """Return the lowest, highest or median value within a window; one that is no number
        makes it unknown.
        """
        seconds, newest = _seconds(window), self.earlier(name).value
        key = (name, seconds)
        if key not in self.summaries:
            words = f"earlier {name} {seconds}"
            numbers = z3.Bool(f"{words}.numbers")
            low, high, middle = (z3.Real(f"{words}.{w}") for w in ("low", "high", "median"))
            self.summaries[key] = numbers, low, high, middle
            last = newest.value.above
            self.axioms += [
                z3.Implies(z3.And(self.within(name, window), numbers), newest.exact),
                z3.And(low <= last, last <= high, low <= middle, middle <= high),
            ]
            self._nest(name)
        numbers, low, high, middle = self.summaries[key]
        chosen = {"lowest": low, "highest": high, "median": middle}[function]
        return Quantity(every((self.within(name, window), numbers)), Value(chosen))

    def _nest(self, name: str) -> None:
        """Say of the windows of a test that the wider holds what the narrower does."""
        windows = sorted(seconds for test, seconds in self.summaries if test == name)
        for near, far in combinations(windows, 2):
            numbers, low, high, _ = self.summaries[name, near]
            wider, lowest, highest, _ = self.summaries[name, far]
            here = self.within(name, timedelta(seconds=near))
            self.axioms += [
                z3.Implies(z3.And(here, wider), numbers),
                z3.Implies(z3.And(here, wider), z3.And(lowest <= low, high <= highest)),
            ]

    # --- times ---

    def specimen_age(self, test: str) -> Quantity:
        """Return the age of the specimen in seconds when a test ("" the first) was measured."""
        if test not in self.ages:
            name = f"specimen age {test}".strip()
            known, value = z3.Bool(f"{name}.known"), z3.Real(name)
            self.ages[test] = known, value
            self.axioms += [value >= 0, z3.Implies(known, self.collected)]
            if test:
                self.specimen_age("")
                first, least = self.ages[""]
                here = z3.And(self.test(test).present, known, first)
                self.axioms.append(z3.Implies(here, least <= value))
        known, value = self.ages[test]
        return Quantity(known, Value(value))

    @property
    def elapsed(self) -> Any:
        """The seconds since the specimen's first message."""
        return z3.Real("elapsed")

    # --- the patient and the specimen ---

    def age_reached(self, count: int, span: Span) -> Truth:
        """Return whether the patient is so old; a birth date may be known to the month or year."""
        days = self._birth()
        known = self.flag("birth date")
        if span in _DAYS:
            young, old = (day >= count * _DAYS[span] for day in days)
        else:
            young, old = self._months(count * _MONTHS[span])
        return Truth(every((known, young)), every((known, negated(old))))

    def _birth(self) -> tuple[Any, Any]:
        """Return the least and the most days the patient can be old."""
        least, most = z3.Real("age"), z3.Real("age at most")
        if "birth date" not in self.flags:
            self.axioms.append(z3.And(least <= most, most <= least + 366))
        self.flag("birth date")
        return least, most

    def _months(self, months: int) -> tuple[Any, Any]:
        """Return whether so many months are completed by the latest, and by the earliest birth."""
        if months not in self.reached:
            young, old = z3.Bool(f"{months} months"), z3.Bool(f"{months} months at most")
            self.reached[months] = young, old
            low, high = shortest_and_longest(months)
            days = self._birth()
            for day, truth in zip(days, (young, old), strict=True):
                self.axioms += [z3.Implies(day >= high, truth), z3.Implies(truth, day >= low)]
            self.axioms += [
                z3.Implies(young, old),
                z3.Implies(days[0] == days[1], young == old),
            ]
            self._years()
        return self.reached[months]

    def years(self) -> Quantity:
        """Return the age in completed years."""
        self.flag("years asked")
        self._birth()
        self._years()
        least, most = z3.Int("years"), z3.Int("years at most")
        known = every((self.flag("birth date"), least == most))
        return Quantity(known, Value(z3.ToReal(least)))

    def _years(self) -> None:
        if "years asked" not in self.flags:
            return
        names = ("years", "years at most")
        for place, (name, day) in enumerate(zip(names, self._birth(), strict=True)):
            count = z3.Int(name)
            self.axioms += [day >= 365 * count, day < 366 * (count + 1)]
            for months, truths in self.reached.items():
                if months % 12 == 0:
                    self.axioms.append((count >= months // 12) == truths[place])
        self.axioms.append(
            z3.Implies(self._birth()[0] == self._birth()[1], z3.Int("years") == z3.Int(names[1]))
        )

    def is_word(self, what: str, word: str, others: Iterable[str] = ()) -> Truth:
        """Return whether something that is said in words (sex, specimen type …) is this word."""
        known = self.flag(f"{what}.known")
        said = self.words.setdefault(what, {})
        for one in (word, *others):
            if one not in said:
                said[one] = z3.Bool(f"{what} {one}")
                self.axioms += [
                    z3.Not(z3.And(said[one], other)) for w, other in said.items() if w != one
                ]
        return where_known(known, said[word])


def _seconds(window: timedelta) -> int:
    return int(window.total_seconds())


@lru_cache(maxsize=512)
def shortest_and_longest(months: int) -> tuple[int, int]:
    """Return the fewest and the most days in which so many months are completed."""
    births = (
        date(year, month, day)
        for year in (1896, 1897, 1898, 1899, 1900, 1903, 1904, 1999, 2000, 2001, 2002, 2003, 2004)
        for month in range(1, 13)
        for day in (1, 29, 30, 31)
        if day <= _last_day(year, month)
    )
    spans = [(anniversary(birth, months, "months") - birth).days for birth in births]
    wide = months // 1200  # centuries that are no leap years come once or twice in as long a time
    return min(spans) - wide, max(spans) + wide


def _last_day(year: int, month: int) -> int:
    following = date(year + month // 12, month % 12 + 1, 1)
    return (following - timedelta(days=1)).day
