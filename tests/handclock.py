"""A clock for tests, that stands still until it is moved."""

from datetime import UTC, datetime, timedelta


class HandClock:
    """Says the same until somebody moves it."""

    def __init__(self) -> None:
        self.at = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.at

    def move(self, **span: float) -> datetime:
        self.at += timedelta(**span)
        return self.at
