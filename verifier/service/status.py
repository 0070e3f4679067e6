"""What a running process knows of itself and no database does: its listeners and their delays."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from verifier.settings import Settings

# Seconds. The budget of an acknowledgement at half load is a 99th percentile below 0.025.
BOUNDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)


class Histogram:
    """How many delays lay at or below each bound. One thread adds, any may read."""

    def __init__(self, bounds: Sequence[float] = BOUNDS) -> None:
        self.bounds = tuple(bounds)
        self._counts = [0] * (len(self.bounds) + 1)
        self.sum = 0.0

    def add(self, seconds: float) -> None:
        """Count one delay."""
        at = next((n for n, bound in enumerate(self.bounds) if seconds <= bound), -1)
        self._counts[at] += 1
        self.sum += seconds

    def cumulative(self) -> list[int]:
        """Return the counts at or below each bound, and last the count of all."""
        total, found = 0, []
        for count in tuple(self._counts):
            total += count
            found.append(total)
        return found


@dataclass(slots=True)
class Door:
    """One listener: whether it listens, how many callers are connected, how fast it answers."""

    listening: bool = False
    open: int = 0
    refused: int = 0
    delays: Histogram = field(default_factory=Histogram)


@dataclass(frozen=True, slots=True)
class Status:
    """The listeners of this process by the name of their connection."""

    started: datetime
    doors: dict[str, Door]

    @classmethod
    def of(cls, settings: Settings, started: datetime) -> "Status":
        """Return the status of a process that begins: nothing listens yet."""
        return cls(started, {name: Door() for name in settings.connections})

    def closed(self) -> list[str]:
        """Return the connections nobody can reach."""
        return [name for name, door in self.doors.items() if not door.listening]
