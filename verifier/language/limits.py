"""Limit tables: sets of values for populations, compiled to three-valued comparisons.

Every row says which values belong to it: ``critical below 2.8, above 6.2`` are the critical values,
``reference 3.5 to 5.1`` those inside the interval. A result is critical when it is in the set of a
row that fits the patient, outside when it is not. Where several rows fit, each counts.
"""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import NamedTuple

from msgspec import Struct

from verifier.facts.values import TITER, Between
from verifier.facts.verdicts import Fact
from verifier.language.comparing import Run, across, settled
from verifier.language.earlier import DAY_IN_TICKS, Past
from verifier.language.scene import ARITHMETIC, Quantity, Scene, plain
from verifier.language.source import Span
from verifier.language.truth import Missing, Truth, Unknown, both, either, merged
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

    def text(self, unit: str) -> str:
        """Return the stretch for people, with the unit."""
        low, high = (_end(end, unit) for end in (self.low, self.high))
        if self.low is None:
            return f"{high} or below" if self.high_included else f"below {high}"
        if self.high is None:
            return f"{low} or above" if self.low_included else f"above {low}"
        return f"{low if unit == TITER else plain(self.low)} to {high}"


def _end(end: Decimal | None, unit: str) -> str:
    written = plain(end or Decimal(0), unit)
    return written if not unit or unit.startswith(("{", TITER)) else f"{written} {unit}"


class LimitRow(Struct, frozen=True):
    """One row of one test: `population` is "" for everybody."""

    kind: str
    population: str
    stretches: tuple[Stretch, ...]
    unit: str
    source: str
    span: Span

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
            across(label, value, f"the {limit_words(self.kind)} {self.text()}")
            if None in truths
            else False
        )

    def text(self) -> str:
        """Return the row as it is written, with the unit."""
        return ", ".join(part.text(self.unit) for part in self.stretches)


class ChangeLimit(Struct, frozen=True):
    """One change limit of one test.

    `percent` says that `most` is percent of the earlier value, `per_day` that it counts for each
    day between the two collections.
    """

    population: str
    most: Decimal
    percent: bool
    per_day: bool
    past: Past
    window: timedelta
    text: str
    source: str
    span: Span


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
            return _change_check(changes, run, self._titles(test)) if changes else None
        rows = self.rows.get((test, kind))
        return _row_check(rows, kind, run, self._titles(test)) if rows else None

    def earlier_fact(self, test: str) -> FactOf:
        """Return the earlier result that change limits compare with, as a fact."""
        return self.past_facts[test]


def _fits(row: LimitRow | ChangeLimit, scene: Scene) -> Truth:
    return scene.populations[row.population] if row.population else True


def limit_words(kind: str) -> str:
    """Return what people call a limit of a kind; “no possible limit” would say something else."""
    return "possible-value limit" if kind == "possible" else f"{kind} limit"


def no_limit(label: str, kind: str) -> Unknown:
    """Return the unknown of a patient no row fits."""
    text = f"there is no {limit_words(kind)} of {label} for this patient"
    return Unknown(Missing(f"{kind} limit", "no limit", text))


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
                fits = scene.populations[population]
                if fits is False:
                    continue
                if fits is not True:
                    return slowly(scene, value)
            if holds(value) is inside_counts:
                return True
            fitting = True
        return False if fitting else none

    def slowly(scene: Scene, value: Quantity) -> Truth:
        found: Truth = False
        fitting: Truth = False
        for row in fixed:
            fits = _fits(row, scene)
            if fits is False:
                continue
            fitting = either(fitting, fits)
            found = either(found, both(fits, hit(row, value)))
        return found if found is True or fitting is True else _undecided(fitting, found, none)

    def limit(scene: Scene) -> Fact | None:
        value = run(scene)
        for row in fixed:
            if both(_fits(row, scene), hit(row, value)) is True:
                return Fact(limit_words(kind), _decisive(row, value), source=row.source)
        fitting = [row for row in fixed if _fits(row, scene) is True]
        return (
            Fact(limit_words(kind), fitting[0].text(), source=fitting[0].source)
            if fitting
            else None
        )

    return LimitCheck(truth, limit)


def _undecided(fitting: Truth, found: Truth, none: Unknown) -> Unknown:
    """No row certainly fits: say what would have to be known."""
    gaps = [item for item in (fitting, found) if isinstance(item, Unknown)]
    return merged(*gaps) if gaps else none


def _decisive(row: LimitRow, value: Quantity) -> str:
    """Return the stretch a value fell into, or the whole row it fell out of."""
    if isinstance(value, Decimal):
        for part in row.stretches:
            if part.holds(value):
                return part.text(row.unit)
    return row.text()


def _change_check(changes: list[ChangeLimit], run: Run, label: str) -> LimitCheck:
    fixed, none = tuple(changes), no_limit(label, "change")

    def truth(scene: Scene) -> Truth:
        value = run(scene)
        found: Truth = False
        fitting: Truth = False
        for row in fixed:
            fits = _fits(row, scene)
            if fits is False:
                continue
            fitting = either(fitting, fits)
            found = either(found, both(fits, _changed(row, value, scene, label)))
        return found if found is True or fitting is True else _undecided(fitting, found, none)

    def limit(scene: Scene) -> Fact | None:
        value = run(scene)
        for row in fixed:
            if both(_fits(row, scene), _changed(row, value, scene, label)) is True:
                return Fact("change limit", row.text, source=row.source)
        return Fact("change limit", fixed[0].text, source=fixed[0].source)

    return LimitCheck(truth, limit)


def _changed(row: ChangeLimit, value: Quantity, scene: Scene, label: str) -> Truth:
    before = row.past.previous(scene)
    if isinstance(before, Unknown):
        return before
    if isinstance(value, Unknown):
        return value
    if not isinstance(value, Decimal) or not isinstance(before, Decimal):
        text = f"the change of {label} can not be told from a censored value"
        return Unknown(Missing(label, "censored", text))
    # |value - before| / before / days > most %, without the divisions, so that the edge is exact
    difference, most = abs(ARITHMETIC.subtract(value, before)), row.most
    if row.percent:
        difference = ARITHMETIC.multiply(difference, Decimal(100))
        most = ARITHMETIC.multiply(most, abs(before))
    if row.per_day:
        ticks = row.past.ticks_since(scene)
        assert isinstance(ticks, Decimal)  # there is an earlier result, as asked above
        difference = ARITHMETIC.multiply(difference, DAY_IN_TICKS)
        most = ARITHMETIC.multiply(most, ticks)
    return difference > most
