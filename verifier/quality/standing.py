"""How a test stands on one analyzer, by its controls: the state that release is gated with."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Literal, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

QualityState: TypeAlias = Literal[
    "in control", "warning", "out of control", "control not judged", "overdue", "no control defined"
]
Recovery: TypeAlias = Literal["corrective action", "good controls"]
_NAMED = 3  # controls that could not be judged, in the sentence about them


class Judged(Struct, frozen=True):
    """A control measurement with the rules it broke: `rejected` ones stop release.

    `unjudged` says why it could not be judged at all; `level` is then empty where it is not known
    which one was measured. `new` tells that the rejection was found only now. One that does not
    `vouch` was judged by a level that is out of use: it is good no longer than its level.
    """

    level: str
    at: datetime
    rejected: tuple[str, ...] = ()
    warned: tuple[str, ...] = ()
    unjudged: str = ""
    new: bool = False
    vouches: bool = True


class Failure(Struct, frozen=True):
    """A time out of control: from the first rejection, `since`, until it `ended`, if it did.

    `latest` is its newest rejection; `good` the last accepted measurement of what failed before it
    did, None when there was none. `new` tells that a rejection of it was found only now.
    """

    since: datetime
    latest: datetime
    why: str
    good: datetime | None = None
    new: bool = False
    ended: datetime | None = None


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
    overdue by time alone; `vouched` since when every level has been accepted. `failures` are all
    that went by, oldest first, the one that goes on last.
    """

    state: QualityState
    why: str = ""
    since: datetime | None = None
    latest: datetime | None = None
    good: datetime | None = None
    due: datetime | None = None
    vouched: datetime | None = None
    failures: tuple[Failure, ...] = ()


class _Course:
    """What is remembered while measurements and corrective actions go by."""

    def __init__(self, levels: Sequence[str], recovery: Recovery, failed: Standing | None) -> None:
        self.levels, self.recovery = levels, recovery
        self.failure = _begun(failed)
        self.over: list[Failure] = []
        self.acted = False
        self.fresh: dict[str, datetime] = {}  # accepted since the last rejection or action
        self.accepted: dict[str, datetime] = {}
        self.warned: dict[str, tuple[str, ...]] = {}
        self.doubts: dict[str, list[str]] = {}  # by level: why measurements could not be judged

    def act(self) -> None:
        """A corrective action: nothing measured before it vouches for what comes after."""
        self.acted = True
        self.fresh, self.warned = {}, {}

    def take(self, point: Judged) -> None:
        """One measurement."""
        if point.unjudged:
            self._doubt(point)
        elif point.rejected:
            self._fail(point)
        else:
            self._accept(point)

    def _doubt(self, point: Judged) -> None:
        """Nobody knows what it would have said: no older control vouches for that level any more,
        nor for any other where it is not known which level it was."""
        known = point.level in self.levels
        for level in (point.level,) if known else self.levels:
            self.fresh.pop(level, None)
            self.doubts.setdefault(level, []).append(point.unjudged)

    def _accept(self, point: Judged) -> None:
        self.accepted[point.level] = point.at
        if not point.vouches:
            return
        self.fresh[point.level] = point.at
        self.warned[point.level] = point.warned
        self.doubts.pop(point.level, None)
        ready = self.acted or self.recovery == "good controls"
        if self.failure and ready and all(level in self.fresh for level in self.levels):
            self.over.append(replace(self.failure, ended=point.at))
            self.failure = None

    def _fail(self, point: Judged) -> None:
        why = f"{point.level}: {', '.join(point.rejected)}"
        good = self.accepted.get(point.level)
        before = self.failure or Failure(point.at, point.at, why, good)
        self.failure = replace(before, latest=point.at, why=why, new=before.new or point.new)
        self.acted, self.fresh, self.warned = False, {}, {}


def _begun(failed: Standing | None) -> Failure | None:
    if failed is None or failed.since is None:
        return None
    return Failure(failed.since, failed.latest or failed.since, failed.why, failed.good)


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
    going, over = course.failure, tuple(course.over)
    if going is not None:
        done = "; after the corrective action not every level has been accepted" * course.acted
        why = f"a control failed ({going.why}){done}"
        failures = (*over, going)
        return Standing(
            "out of control", why, going.since, going.latest, going.good, failures=failures
        )
    missing = [level for level in course.levels if level not in course.fresh]
    if doubted := [why for level in missing for why in course.doubts.get(level, ())]:
        newest = list(dict.fromkeys(doubted))[-_NAMED:]
        why = f"a control could not be judged: {'; '.join(newest)}"
        return Standing("control not judged", why, failures=over)
    if missing:
        since = " since the corrective action" * course.acted
        text = f"not measured{since}: {', '.join(missing)}"
        return Standing("overdue", text, failures=over)
    vouched = min(course.fresh[level] for level in course.levels)
    due = vouched + limits.hours if limits.hours else None
    if due and due < now:
        return Standing(
            "overdue", "its controls are overdue", due=due, vouched=vouched, failures=over
        )
    warned = _warnings(course.warned)
    state: QualityState = "warning" if warned else "in control"
    return Standing(state, warned, due=due, vouched=vouched, failures=over)


def _warnings(warned: Mapping[str, tuple[str, ...]]) -> str:
    return "; ".join(f"{level}: {', '.join(rules)}" for level, rules in warned.items() if rules)
