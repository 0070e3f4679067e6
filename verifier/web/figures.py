"""The figures of the overview: shares, reasons in the order of their number, times. Pure."""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from verifier.facts.case import BY_RULES, Entry
from verifier.facts.priorities import PRIORITIES, ROUTINE
from verifier.facts.verdicts import Decision
from verifier.store.overviewrows import Course, HeldCount, SettledCount

AGES = (15, 30, 60, 120, 240, 480, 1440)  # minutes that part the queue by age
# States that a person, or the rules, gave a result; one that was replaced counts as its heir.
_SETTLED = {"released", "suppressed", "rejected", "withdrawn"}


@dataclass(slots=True)
class Share:
    """What became of the results of one test: by rules, by a person, not reported, held now.

    `unreported` were rejected, suppressed or withdrawn.
    """

    test: str
    by_rules: int = 0
    by_person: int = 0
    unreported: int = 0
    held: int = 0

    @property
    def total(self) -> int:
        """All results that were settled, or are held."""
        return self.by_rules + self.by_person + self.unreported + self.held

    @property
    def part(self) -> float:
        """The part, 0 to 1, that left without a person looking; 0 where there is none."""
        return self.by_rules / self.total if self.total else 0.0


@dataclass(frozen=True, slots=True)
class Cause:
    """How many results one rule held; `sofar` is the part of all with those before it, 0 to 1."""

    rule: str
    count: int
    part: float
    sofar: float


@dataclass(slots=True)
class Times:
    """Times of results, in seconds: to the decision, and to the release by rules or a person."""

    decided: list[float] = field(default_factory=list)
    released: list[float] = field(default_factory=list)
    by_person: list[float] = field(default_factory=list)


def shares(settled: Iterable[SettledCount], held: Iterable[HeldCount]) -> list[Share]:
    """Return what became of each test's results, the test with most results first."""
    found: dict[str, Share] = {}
    for row in settled:
        if row.state not in _SETTLED:
            continue
        share = found.setdefault(row.test, Share(row.test))
        if row.state != "released":
            share.unreported += row.count
        elif row.by_rules:
            share.by_rules += row.count
        else:
            share.by_person += row.count
    for open_row in held:
        found.setdefault(open_row.test, Share(open_row.test)).held += open_row.count
    return sorted(found.values(), key=lambda share: (-share.total, share.test))


def together(parts: Sequence[Share]) -> Share:
    """Return the sum over all tests."""
    total = Share("")
    for part in parts:
        total.by_rules += part.by_rules
        total.by_person += part.by_person
        total.unreported += part.unreported
        total.held += part.held
    return total


def causes(settled: Iterable[SettledCount], held: Iterable[HeldCount]) -> list[Cause]:
    """Return the rules that asked people to look, the most frequent first, with their sum so far.

    A result counts once, for the worst of its reasons, whether a person has settled it or not.
    """
    counts: Counter[str] = Counter()
    for row in settled:
        if row.reason and not row.by_rules and row.state in _SETTLED:
            counts[row.reason] += row.count
    for open_row in held:
        if open_row.reason:
            counts[open_row.reason] += open_row.count
    total, sofar, found = counts.total(), 0, []
    for rule, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        sofar += count
        found.append(Cause(rule, count, count / total, sofar / total))
    return found


def quantile(values: Sequence[float], part: float) -> float | None:
    """Return the smallest value that at least `part` of all do not exceed, None of no value."""
    if not values:
        return None
    return sorted(values)[max(0, math.ceil(part * len(values)) - 1)]


def times(courses: Iterable[Course]) -> dict[str, Times]:
    """Return by test how long its results took from their arrival."""
    found: dict[str, Times] = defaultdict(Times)
    for course in courses:
        for test, entry, decided, settled in _lasting(course):
            _count(found[test], entry, decided, settled)
    return dict(found)


def times_by_priority(courses: Iterable[Course]) -> dict[str, Times]:
    """Return by priority of the specimen the same, the most urgent first (HL7 table 0485)."""
    found: dict[str, Times] = defaultdict(Times)
    for course in courses:
        priority = course.record.specimen.attributes.get("priority", ROUTINE)
        for _, entry, decided, settled in _lasting(course):
            _count(found[priority], entry, decided, settled)
    return {word: found[word] for word in PRIORITIES if word in found}


def within(seconds: Sequence[float], most: timedelta) -> float | None:
    """Return the part, 0 to 1, of times that are not longer than `most`, None of no time."""
    if not seconds:
        return None
    return sum(each <= most.total_seconds() for each in seconds) / len(seconds)


def _lasting(course: Course) -> Iterator[tuple[str, Entry, datetime, datetime | None]]:
    """Yield the results that were decided: test, entry, when decided, when settled."""
    for place, entry in enumerate(course.record.entries):
        if decided := _decided(course.decisions, place):
            yield decided[0], entry, decided[1], course.settled.get(place)


def _decided(decisions: Sequence[Decision], place: int) -> tuple[str, datetime] | None:
    """Return the test of a result and when it was first decided otherwise than to wait."""
    for decision in decisions:
        for result in decision.results:
            if result.entry == place and result.outcome != "wait":
                return result.test, decision.decided
    return None


def _count(times: Times, entry: Entry, decided: datetime, settled: datetime | None) -> None:
    times.decided.append(max(0.0, (decided - entry.arrived).total_seconds()))
    if entry.state != "released" or settled is None:
        return
    took = max(0.0, (settled - entry.arrived).total_seconds())
    times.released.append(took)
    if entry.settled_by != BY_RULES:
        times.by_person.append(took)


def by_age(ages: Iterable[tuple[int, datetime]], now: datetime) -> list[Mapping[int, int]]:
    """Return for each band between `AGES`, youngest first, how many specimens by severity."""
    bands: list[Counter[int]] = [Counter() for _ in range(len(AGES) + 1)]
    for severity, opened in ages:
        minutes = (now - opened) / timedelta(minutes=1)
        bands[sum(minutes >= edge for edge in AGES)][severity] += 1
    return list(bands)
