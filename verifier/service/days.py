"""Days as people write them."""

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from verifier.errors import RefusedError


def end_of(day: str, zone: ZoneInfo) -> datetime | None:
    """Return when a day is over, None for no day. Raises RefusedError when it is no date."""
    if not day.strip():
        return None
    try:
        following = date.fromisoformat(day.strip()) + timedelta(days=1)
    except (ValueError, OverflowError) as error:
        raise RefusedError("%(day)r is no date; write it as 2026-12-31.", day=day) from error
    return datetime.combine(following, time(), zone)
