"""Comparing two judgements of the same facts, result by result, and counting what differs."""

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from msgspec import Struct

from verifier.assurance.replay_rank import CRITICAL_FLAGS, fate_of, worst
from verifier.assurance.replay_sides import failed, sides_of, urgent
from verifier.assurance.replaying import (
    Change,
    ChangeKind,
    Counts,
    RuleCount,
    Stretch,
    TestCount,
)
from verifier.facts.case import Case, CaseRecord
from verifier.facts.verdicts import Decision, ResultDecision

UNKNOWN_TEST = "(unknown test)"
_SLACK = 4  # how many times the changes asked for are kept before the lesser ones are dropped

_Name = TypeVar("_Name", bound=str)
_Pair = tuple[ResultDecision | None, ResultDecision | None]
_Key = tuple[int, str]


class Judged(Struct, frozen=True):
    """One stored decision: its facts, what was decided, and what the candidate decides of them.

    `after` is None when the candidate failed; `failure` then says how.
    """

    decision_id: int
    facts: Case
    before: Decision
    after: Decision | None
    failure: str = ""


class _Course(Struct):
    """One result over the judgements of its case: the last one, and those worth showing."""

    last: tuple[Judged, _Pair]
    left_before: tuple[Judged, _Pair] | None = None
    left_after: tuple[Judged, _Pair] | None = None
    differed: tuple[Judged, _Pair] | None = None
    urgent_before: frozenset[str] = frozenset()
    urgent_after: frozenset[str] = frozenset()
    asked_before: frozenset[str] = frozenset()
    asked_after: frozenset[str] = frozenset()


class Tally:
    """Counts and the worst changes. Two of them, of different cases, add up."""

    def __init__(self, stretch: Stretch, most: int) -> None:
        """`most` is how many changes are kept."""
        self.counts = Counts()
        self._stretch, self._most = stretch, most
        self._changes: list[Change] = []

    def take(
        self, case_id: int, judged: Sequence[Judged], record: Callable[[], CaseRecord | None]
    ) -> None:
        """Count one case: all its judgements in the stretch, oldest first.

        `record` gives the case as stored now; it is asked for only when something differs.
        """
        self.counts.specimens += 1
        self.counts.decisions += len(judged)
        courses: dict[_Key, _Course] = {}
        for one in judged:
            if one.failure:
                failures = self.counts.failures
                failures[one.failure] = failures.get(one.failure, 0) + 1
            for key, pair in self._pairs(one):
                _follow(courses, key, one, pair)
        last = judged[-1]
        self.counts.requests += bool(last.after and last.after.requests != last.before.requests)
        known: list[CaseRecord | None] = []
        for course in courses.values():
            if found := self._count(course):
                known = known or [record()]
                self._add(_change(case_id, course, found, known[0]))

    def add(self, other: "Tally") -> None:
        """Add what another one counted."""
        merge(self.counts, other.counts)
        for change in other._changes:
            self._keep(change)

    def worst(self) -> tuple[tuple[Change, ...], int]:
        """Return the worst changes in order, and how many more there are."""
        shown = tuple(worst(self._changes, self._most))
        return shown, self.counts.changed - len(shown)

    def _pairs(self, one: Judged) -> Iterator[tuple[_Key, _Pair]]:
        """Yield the results of one decision that count, both judgements of each."""
        for key, pair in _paired(one):
            if self._wanted(one.facts, *key):
                yield key, pair

    def _wanted(self, facts: Case, entry: int, test: str) -> bool:
        tests, names = self._stretch.tests, self._stretch.connections
        if tests and test not in tests:
            return False
        return not names or any(
            result.connection in names for result in facts.results if entry in (result.entry, -1)
        )

    def _count(self, course: _Course) -> ChangeKind | None:
        counts, pair = self.counts, course.last[1]
        some = pair[0] or pair[1]
        assert some is not None
        test = counts.tests.get(some.test or UNKNOWN_TEST)
        if test is None:
            test = TestCount(some.title if some.test else UNKNOWN_TEST)
            counts.tests[some.test or UNKNOWN_TEST] = test
        before, after = course.left_before is not None, course.left_after is not None
        counts.results += 1
        counts.released_before += before
        counts.released_after += after
        test.results += 1
        test.released_before += before
        test.released_after += after
        kind = _kind(course) if course.differed else None
        if not (before and after):
            self._count_rules(
                frozenset() if before else _rules(pair[0]),
                frozenset() if after else _rules(pair[1]),
            )
        if kind:
            test.changes[kind] = test.changes.get(kind, 0) + 1
        return kind

    def _count_rules(self, before: frozenset[str], after: frozenset[str]) -> None:
        for name in before | after:
            count = self.counts.rules.get(name)
            if count is None:
                count = self.counts.rules[name] = RuleCount()
            count.before += name in before
            count.after += name in after
            count.gained += name in after and name not in before
            count.lost += name in before and name not in after

    def _add(self, change: Change) -> None:
        by_fate = self.counts.fates.setdefault(change.kind, {})
        by_fate[change.fate] = by_fate.get(change.fate, 0) + 1
        self._keep(change)

    def _keep(self, change: Change) -> None:
        self._changes.append(change)
        if len(self._changes) > _SLACK * max(self._most, 1):
            self._changes = worst(self._changes, self._most)


def merge(into: Counts, other: Counts) -> None:
    """Add the numbers of `other` to `into`."""
    for name in (
        "specimens", "decisions", "without_facts", "reproduced", "not_reproduced", "results",
        "released_before", "released_after", "requests",
    ):  # fmt: skip
        setattr(into, name, getattr(into, name) + getattr(other, name))
    for key, test in other.tests.items():
        mine = into.tests.setdefault(key, TestCount(test.title))
        mine.results += test.results
        mine.released_before += test.released_before
        mine.released_after += test.released_after
        _plus(mine.changes, test.changes)
    for name, rule in other.rules.items():
        ours = into.rules.setdefault(name, RuleCount())
        for part in ("before", "after", "gained", "lost"):
            setattr(ours, part, getattr(ours, part) + getattr(rule, part))
    for kind, by_fate in other.fates.items():
        _plus(into.fates.setdefault(kind, {}), by_fate)
    _plus(into.failures, other.failures)


def _plus(into: dict[_Name, int], other: dict[_Name, int]) -> None:
    for key, number in other.items():
        into[key] = into.get(key, 0) + number


def _paired(one: Judged) -> Iterator[tuple[_Key, _Pair]]:
    """Yield every result of a decision with what each side says of it; None where it says nothing.

    Both sides judged the same open results, in the same order.
    """
    before, after = one.before, one.after
    mine = after.results if after else (None,) * len(before.results)
    for was, now in zip(before.results, mine, strict=True):
        yield (was.entry, (now or was).test), (was, now)
    known = {item.test: item for item in before.derived}
    others = {item.test: item for item in after.derived} if after else {}
    for name in known | others:
        yield (-1, name), (known.get(name), others.get(name))


def _follow(courses: dict[_Key, _Course], key: _Key, one: Judged, pair: _Pair) -> None:
    course, here = courses.get(key), (one, pair)
    if course is None:
        course = courses[key] = _Course(here)
    course.last = here
    was, now = pair
    if was is not None and was.outcome == "release":
        course.left_before = course.left_before or here
    if now is not None and now.outcome == "release":
        course.left_after = course.left_after or here
    _compare(course, here)


def _compare(course: _Course, here: tuple[Judged, _Pair]) -> None:
    one, (was, now) = here
    asked = one.after.requests if one.after else ()
    if was == now and one.before.requests == asked:
        return  # nearly always
    old, new = sides_of(was, now, one.before, one.after)
    course.urgent_before |= urgent(old)
    course.urgent_after |= urgent(new)
    course.asked_before |= frozenset(old.asked)
    course.asked_after |= frozenset(new.asked)
    if old != new:
        course.differed = here


def _kind(course: _Course) -> ChangeKind:
    """Return in which way a result that differs somewhere changes."""
    assert course.differed is not None
    one, (was, now) = course.differed
    if one.after is None:
        return "failed"
    before, after = course.left_before is not None, course.left_after is not None
    if after and not before:
        return "newly released"
    if course.urgent_before - course.urgent_after:
        return "critical lost"
    last = course.last[1]
    ends = "absent" if last[1] is None else last[1].outcome
    began = "absent" if last[0] is None else last[0].outcome
    if not after and ends == "wait" and (before or began != "wait"):
        return "now waits"
    if before and not after:
        return "newly held"
    if course.asked_before - course.asked_after:
        return "less asked"
    if _rules(was) != _rules(now) or (was and was.outcome) != (now and now.outcome):
        return "other reasons"
    return "other words"


def _rules(item: ResultDecision | None) -> frozenset[str]:
    return frozenset(reason.rule for reason in item.reasons) if item else frozenset()


def _change(case_id: int, course: _Course, kind: ChangeKind, record: CaseRecord | None) -> Change:
    shown = course.differed
    if kind == "newly released":
        shown = course.left_after
    elif kind in ("newly held", "now waits"):
        shown = course.left_before or course.differed
    assert shown is not None
    one, (was, now) = shown
    some = was or now
    assert some is not None
    fate, who = fate_of(record, some.entry)
    before, after = sides_of(was, now, one.before, one.after)
    after = after if one.after else failed(one.failure)
    return Change(
        kind=kind, fate=fate, case_id=case_id, decision_id=one.decision_id, entry=some.entry,
        specimen=one.facts.specimen.key, test=some.test, title=some.title, code=some.code,
        value=some.value, unit=some.unit, decided=one.facts.now, before=before, after=after,
        settled_by=who, critical=bool(CRITICAL_FLAGS & {before.flag, after.flag}),
    )  # fmt: skip
