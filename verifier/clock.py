"""The only place that reads the time of day; everything else is handed a clock."""

import time
from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]
_RUNNING = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def now() -> datetime:
    """Return the present instant, UTC, aware, with microseconds."""
    return datetime.now(UTC)


def running() -> float:
    """Return seconds that only grow, whatever happens to the time of day; those during which this
    process was paused, or the machine slept, are counted where the system can."""
    return time.clock_gettime(_RUNNING)
