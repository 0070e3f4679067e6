"""The only place that reads the time of day; everything else is handed a clock."""

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def now() -> datetime:
    """Return the present instant, UTC, aware, with microseconds."""
    return datetime.now(UTC)
