"""Tries the control rules on a sequence of measurements, each against those before it."""

from collections import deque
from collections.abc import Iterator, Sequence
from fractions import Fraction

from verifier.quality.choices import NEEDED, Choices, Measurement, RuleName, Violation

_LONGEST = max(NEEDED.values())
_IN_A_ROW: dict[RuleName, int] = {"2-2s": 2, "4-1s": 1, "8x": 0, "10x": 0, "12x": 0}
_Point = tuple[int, Measurement]


def violations(measurements: Sequence[Measurement], choices: Choices) -> tuple[Violation, ...]:
    """Return every violation of a sequence, oldest first; positions are those in the sequence."""
    walk = _Walk(choices)
    return tuple(
        found for at, measurement in enumerate(measurements) for found in walk.step(at, measurement)
    )


def untried(measurements: Sequence[Measurement], choices: Choices) -> tuple[RuleName, ...]:
    """Return the rules in use that the newest measurement has too few others before it for."""
    walk = _Walk(choices)
    for at, measurement in enumerate(measurements):
        list(walk.step(at, measurement))
    return tuple(rule for rule in (*choices.warn, *choices.reject) if walk.short_of(rule))


class _Walk:
    """Remembers as much of the past as the longest rule needs."""

    def __init__(self, choices: Choices) -> None:
        self._choices = choices
        self._epoch = 0
        self._forget()

    def step(self, at: int, new: Measurement) -> Iterator[Violation]:
        """Take the next measurement and yield what it violates."""
        self._look_back_only_as_far_as_allowed(new)
        point = (at, new)
        self._newest = (new.level, new.lot)
        self._run.append(point)
        self._chain.append(point)
        self._levels.setdefault(self._newest, deque(maxlen=_LONGEST)).append(point)
        for rule in self._choices.warn:
            if found := self._tried(rule, point):
                yield Violation(rule, "warning", at, found)
        if self._choices.after_warning and not self._warned():
            return
        for rule in self._choices.reject:
            if found := self._tried(rule, point):
                yield Violation(rule, "rejection", at, found)

    def short_of(self, rule: RuleName) -> bool:
        """Whether a rule could not be tried on the newest measurement."""
        within, needed = self._levels.get(self._newest, ()), NEEDED[rule]
        if rule == "R-4s":
            return len(self._run) < needed
        if rule in self._choices.across:
            beside = self._run if rule == "2-2s" else self._chain
            return max(len(within), len(beside)) < needed
        return len(within) < needed

    def _forget(self) -> None:
        self._levels: dict[tuple[str, str], deque[_Point]] = {}  # by level and lot
        self._chain: deque[_Point] = deque(maxlen=_LONGEST)
        self._run: list[_Point] = []
        self._newest = ("", "")

    def _look_back_only_as_far_as_allowed(self, new: Measurement) -> None:
        if new.epoch != self._epoch:
            self._epoch = new.epoch
            self._forget()
        if (new.level, new.lot) not in self._levels and any(
            level == new.level for level, _ in self._levels
        ):
            self._chain.clear()  # a lot never seen; two lots side by side keep a row each
        if self._run and self._run[-1][1].run != new.run:
            self._run = []

    def _warned(self) -> bool:
        return any(self._beyond(abs(each.z), 2) for _, each in self._run)

    def _beyond(self, z: Fraction, limit: int) -> bool:
        # A value on the mean lies on neither side, whatever is chosen for the limits.
        return z > limit or (self._choices.inclusive and limit > 0 and z == limit)

    def _tried(self, rule: RuleName, point: _Point) -> tuple[int, ...]:
        """Return the positions that break a rule, the newest last; none when it holds."""
        if rule in ("1-2s", "1-3s"):
            at, new = point
            return (at,) if self._beyond(abs(new.z), 2 if rule == "1-2s" else 3) else ()
        if rule == "R-4s":
            return self._apart(point)
        found = self._in_a_row(rule, self._levels[self._newest])
        if found or rule not in self._choices.across:
            return found
        if rule == "2-2s":
            return self._beside(point)
        return self._in_a_row(rule, self._chain)

    def _in_a_row(self, rule: RuleName, stream: Sequence[_Point]) -> tuple[int, ...]:
        count, limit = NEEDED[rule], _IN_A_ROW[rule]
        last = list(stream)[-count:]
        if len(last) < count:
            return ()
        for side in (1, -1):
            if all(self._beyond(side * each.z, limit) for _, each in last):
                return tuple(at for at, _ in last)
        return ()

    def _beside(self, point: _Point) -> tuple[int, ...]:
        """2-2s over the levels of one run; which of them was measured first does not matter."""
        at, new = point
        side = 1 if new.z > 0 else -1
        if not self._beyond(side * new.z, 2):
            return ()
        for other, each in reversed(self._run[:-1]):
            if each.level != new.level and self._beyond(side * each.z, 2):
                return (other, at)
        return ()

    def _apart(self, point: _Point) -> tuple[int, ...]:
        at, new = point
        for other, each in reversed(self._run[:-1]):
            high, low = max(new.z, each.z), min(new.z, each.z)
            if self._choices.spread == "range":
                apart = self._beyond(high - low, 4)
            else:
                apart = self._beyond(high, 2) and self._beyond(-low, 2)
            if apart:
                return (other, at)
        return ()
