"""Limit tables: sets of values for populations, compiled to three-valued comparisons.

Every row says which values belong to it: ``critical below 2.8, above 6.2`` are the critical values,
``reference 3.5 to 5.1`` those inside the interval. A result is critical when it is in the set of a
row that fits the patient, outside when it is not. Where several rows fit, each counts.
"""

from collections.abc import Callable
from decimal import Decimal
from typing import NamedTuple

from msgspec import Struct

from verifier.facts.presentation import Presentation
from verifier.facts.values import TITER, Between
from verifier.facts.verdicts import Fact
from verifier.language.changes import ChangeLimit, change_check
from verifier.language.comparing import Run, across, settled
from verifier.language.fitting import fits, limit_words, no_limit, undecided
from verifier.language.scene import Quantity, Scene, shown
from verifier.language.source import Span
from verifier.language.truth import Truth, Unknown, both, either
from verifier.language.typed import FactOf, LimitCheck

KINDS = ("possible", "measurable", "reference", "critical", "autorelease")


class Stretch(NamedTuple):
    """Values from `low` to `high`, either of which may be open, in the unit of the test."""

    low: Decimal | None
    low_included: bool
    high: Decimal | None
    high_included: bool

    def holds(self, value: Decimal) -> bool:
        """Return whether a number belongs to the stretch."""
        low, high = self.low, self.high
        if low is not None and (value < low or (value == low and not self.low_included)):
            return False
        return high is None or value < high or (value == high and self.high_included)

    def compiled(self) -> Callable[[Decimal], bool]:
        """Return `holds` without the questions that are the same for every value."""
        low, high = self.low, self.high
        if low is not None and high is not None and self.low_included and self.high_included:
            return lambda value: low <= value <= high
        if low is None and high is not None and not self.high_included:
            return lambda value: value < high
        if high is None and low is not None and not self.low_included:
            return lambda value: value > low
        return self.holds

    def holds_range(self, value: Between) -> bool | None:
        """Return whether a censored value belongs to it, None when it lies across an end."""
        low: bool | None = True
        high: bool | None = True
        if self.low is not None:
            low = settled(">=" if self.low_included else ">", value, self.low)
        if self.high is not None:
            high = settled("<=" if self.high_included else "<", value, self.high)
        if low is False or high is False:
            return False
        return True if low and high else None

    def text(self, unit: str, present: Presentation | None = None) -> str:
        """Return the stretch for people, with the unit it is shown in."""
        if present:
            return self.shown(present).text(present.unit)
        low, high = (_end(end, unit) for end in (self.low, self.high))
        if self.low is None:
            return f"{high} or below" if self.high_included else f"below {high}"
        if self.high is None:
            return f"{low} or above" if self.low_included else f"above {low}"
        return f"{low if unit == TITER else shown(self.low)} to {high}"

    def shown(self, present: Presentation) -> "Stretch":
        """Return the stretch in the unit it is shown in."""
        low, high = (None if end is None else present.number(end) for end in (self.low, self.high))
        return self._replace(low=low, high=high)


def _end(end: Decimal | None, unit: str) -> str:
    written = shown(end or Decimal(0), unit)
    return written if not unit or unit.startswith(("{", TITER)) else f"{written} {unit}"


class LimitRow(Struct, frozen=True):
    """One row of one test: `population` is "" for everybody."""

    kind: str
    population: str
    stretches: tuple[Stretch, ...]
    unit: str
    source: str
    span: Span
    present: Presentation | None = None

    def holds(self) -> Callable[[Decimal], bool]:
        """Return, as a closure, whether a number belongs to the row."""
        parts = tuple(part.compiled() for part in self.stretches)
        if len(parts) == 1:
            return parts[0]
        first, *others = parts
        second = others[0]
        if len(parts) == 2:
            return lambda value: first(value) or second(value)
        return lambda value: any(part(value) for part in parts)

    def belongs(self, value: Quantity, label: str) -> Truth:
        """Return whether a value belongs to the row."""
        if value.__class__ is Decimal:
            return any(part.holds(value) for part in self.stretches)
        if isinstance(value, Unknown):
            return value
        assert isinstance(value, Between)
        truths = [part.holds_range(value) for part in self.stretches]
        if any(truths):
            return True
        return (
            across(label, value, f"the {limit_words(self.kind)} {self.text()}", self.present)
            if None in truths
            else False
        )

    def text(self) -> str:
        """Return the row as it is written, with the unit."""
        return ", ".join(part.text(self.unit, self.present) for part in self.stretches)


class LimitTables:
    """The limit rows of all tests."""

    def __init__(self, titles: Callable[[str], str]) -> None:
        self._titles = titles
        self.rows: dict[tuple[str, str], list[LimitRow]] = {}
        self.changes: dict[str, list[ChangeLimit]] = {}
        self.past_facts: dict[str, FactOf] = {}

    def add(self, test: str, row: LimitRow) -> None:
        """Add a row of a test."""
        self.rows.setdefault((test, row.kind), []).append(row)

    def check(self, test: str, kind: str, run: Run) -> LimitCheck | None:
        """Return the comparison of a quantity with the limits of a kind, None without such rows."""
        if kind == "change":
            changes = self.changes.get(test)
            return change_check(changes, run, self._titles(test)) if changes else None
        rows = self.rows.get((test, kind))
        return _row_check(rows, kind, run, self._titles(test)) if rows else None

    def earlier_fact(self, test: str) -> FactOf:
        """Return the earlier result that change limits compare with, as a fact."""
        return self.past_facts[test]


def _row_check(rows: list[LimitRow], kind: str, run: Run, label: str) -> LimitCheck:
    fixed, inside_counts, none = tuple(rows), kind == "critical", no_limit(label, kind)

    def hit(row: LimitRow, value: Quantity) -> Truth:
        belongs = row.belongs(value, label)
        if inside_counts or isinstance(belongs, Unknown):
            return belongs
        return not belongs

    closures = tuple((row.population, row.holds()) for row in fixed)

    def truth(scene: Scene) -> Truth:
        value = run(scene)
        if value.__class__ is not Decimal:
            return slowly(scene, value)
        fitting = False
        for population, holds in closures:
            if population:
                belongs = scene.populations[population]
                if belongs is False:
                    continue
                if belongs is not True:
                    return slowly(scene, value)
            if holds(value) is inside_counts:
                return True
            fitting = True
        return False if fitting else none

    def slowly(scene: Scene, value: Quantity) -> Truth:
        found: Truth = False
        fitting: Truth = False
        for row in fixed:
            belongs = fits(row, scene)
            if belongs is False:
                continue
            fitting = either(fitting, belongs)
            found = either(found, both(belongs, hit(row, value)))
        return found if found is True or fitting is True else undecided(fitting, found, none)

    def limit(scene: Scene) -> Fact | None:
        value = run(scene)
        for row in fixed:
            if both(fits(row, scene), hit(row, value)) is True:
                return Fact(limit_words(kind), _decisive(row, value), source=row.source)
        fitting = [row for row in fixed if fits(row, scene) is True]
        return (
            Fact(limit_words(kind), fitting[0].text(), source=fitting[0].source)
            if fitting
            else None
        )

    return LimitCheck(truth, limit)


def _decisive(row: LimitRow, value: Quantity) -> str:
    """Return the stretch a value fell into, or the whole row it fell out of."""
    if isinstance(value, Decimal):
        for part in row.stretches:
            if part.holds(value):
                return part.text(row.unit, row.present)
    return row.text()
