"""How a test stands on one analyzer, by its controls: the state that release is gated with."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Literal, TypeAlias

from msgspec import Struct

QualityState: TypeAlias = Literal[
    "in control", "warning", "out of control", "overdue", "no control defined"
]
Recovery: TypeAlias = Literal["corrective action", "good controls"]


class Judged(Struct, frozen=True):
    """A control measurement with the rules it broke: `rejected` ones stop release."""

    level: str
    at: datetime
    rejected: tuple[str, ...] = ()
    warned: tuple[str, ...] = ()


class Limits(Struct, frozen=True):
    """When controls are overdue and what ends a failure.

    `hours` since a level was last accepted; `results`, the number of patients' results since then,
    is counted by the caller and not used here. After a rejection every level must be accepted
    again, by default only after a corrective action is on record.
    """

    hours: timedelta | None = None
    recovery: Recovery = "corrective action"


class Standing(Struct, frozen=True):
    """How a test stands on an analyzer.

    `since` is when it failed and `latest` the newest rejection; `good` the last accepted
    measurement of what failed before it did, None when there was none; `due` when controls become
    overdue by time alone; `vouched` since when every level has been accepted.
    """

    state: QualityState
    why: str = ""
    since: datetime | None = None
    latest: datetime | None = None
    good: datetime | None = None
    due: datetime | None = None
    vouched: datetime | None = None


class _Course:
    """What is remembered while measurements and corrective actions go by."""

    def __init__(self, levels: Sequence[str], recovery: Recovery, failed: Standing | None) -> None:
        self.levels, self.recovery = levels, recovery
        self.since = failed.since if failed else None
        self.latest = failed.latest if failed else None
        self.before = failed.good if failed else None
        self.why = failed.why if failed else ""
        self.acted = False
        self.fresh: dict[str, datetime] = {}  # accepted since the last rejection or action
        self.accepted: dict[str, datetime] = {}
        self.warned: dict[str, tuple[str, ...]] = {}

    def act(self) -> None:
        """A corrective action: nothing measured before it vouches for what comes after."""
        self.acted = True
        self.fresh, self.warned = {}, {}

    def take(self, point: Judged) -> None:
        """One measurement."""
        if point.rejected:
            self._fail(point)
            return
        self.fresh[point.level] = self.accepted[point.level] = point.at
        self.warned[point.level] = point.warned
        ready = self.acted or self.recovery == "good controls"
        if self.since and ready and all(level in self.fresh for level in self.levels):
            self.since = self.latest = self.before = None

    def _fail(self, point: Judged) -> None:
        if self.since is None:
            self.since, self.before = point.at, self.accepted.get(point.level)
        self.latest = point.at
        self.why = f"{point.level}: {', '.join(point.rejected)}"
        self.acted, self.fresh, self.warned = False, {}, {}


def standing(
    levels: Sequence[str],
    points: Iterable[Judged],
    actions: Iterable[datetime],
    limits: Limits,
    now: datetime,
    failed: Standing | None = None,
) -> Standing:
    """Return how a test stands on an analyzer.

    Args:
        levels: the levels that are defined and must be measured.
        points: judged measurements, oldest first.
        actions: when corrective actions were recorded, oldest first.
        limits: when controls are overdue and what ends a failure.
        now: the present instant.
        failed: a failure that began before the first of `points`.
    """
    if not levels:
        return Standing("no control defined", "no control is defined for it")
    course = _Course(levels, limits.recovery, failed)
    waiting = sorted(actions)
    for point in points:
        while waiting and waiting[0] <= point.at:
            waiting.pop(0)
            course.act()
        course.take(point)
    for _ in waiting:
        course.act()
    return _now(course, limits, now)


def _now(course: _Course, limits: Limits, now: datetime) -> Standing:
    if course.since is not None:
        done = "; after the corrective action not every level has been accepted" * course.acted
        why = f"a control failed ({course.why}){done}"
        return Standing("out of control", why, course.since, course.latest, course.before)
    missing = [level for level in course.levels if level not in course.fresh]
    if missing:
        since = " since the corrective action" * course.acted
        text = f"not measured{since}: {', '.join(missing)}"
        return Standing("overdue", text)
    vouched = min(course.fresh[level] for level in course.levels)
    due = vouched + limits.hours if limits.hours else None
    if due and due < now:
        return Standing("overdue", "its controls are overdue", due=due, vouched=vouched)
    warned = _warnings(course.warned)
    return Standing("warning" if warned else "in control", warned, due=due, vouched=vouched)


def _warnings(warned: Mapping[str, tuple[str, ...]]) -> str:
    return "; ".join(f"{level}: {', '.join(rules)}" for level, rules in warned.items() if rules)
