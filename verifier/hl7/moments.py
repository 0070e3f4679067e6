"""Dates and times of HL7 (v2.5.1 section 2.A.22, DTM).

Their shape is ``YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]``.
"""

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

Precision = Literal["year", "month", "day", "hour", "minute", "second"]

_SHAPE = re.compile(r"(\d{4}(?:\d\d){0,5})(?:(?<=\d{14})\.(\d{1,4}))?([+-]\d{4})?", re.ASCII)
_PRECISION: dict[int, Precision] = {
    4: "year", 6: "month", 8: "day", 10: "hour", 12: "minute", 14: "second"
}  # fmt: skip
_REST = "00000101000000"  # what a shorter text leaves open starts here
_WEST, _EAST = timedelta(hours=-12), timedelta(hours=14)


@lru_cache(maxsize=4096)
def parse_moment(text: str, zone: str) -> tuple[datetime, Precision] | None:
    """Return the instant (aware, UTC) and how precise it is, or None when it is no moment.

    A missing offset is taken from `zone`: an IANA name, or an offset such as ``+0100``. What the
    precision leaves open starts at its first instant. None too for days that do not exist, for
    offsets outside -1200 to +1400 and for a local time that a change to summer time skips. A local
    time that occurs twice is the first of the two.
    """
    shape = _SHAPE.fullmatch(text)
    if shape is None:
        return None
    digits, fraction, offset = shape.groups()
    where = _offset(offset) if offset else zone_of(zone)
    if where is None:
        return None
    full = digits + _REST[len(digits) :]
    try:
        month, day, hour, minute, second = (int(full[i : i + 2]) for i in range(4, 14, 2))
        local = datetime(int(full[:4]), month, day, hour, minute, second, tzinfo=where)
        instant = local.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
    if instant.astimezone(where).replace(tzinfo=None) != local.replace(tzinfo=None):
        return None  # skipped by a change to summer time
    if fraction:
        instant += timedelta(microseconds=int(fraction.ljust(6, "0")))
    return instant, _PRECISION[len(digits)]


def format_moment(at: datetime, zone: str = "UTC") -> str:
    """Return an aware instant as ``YYYYMMDDHHMMSS+ZZZZ`` in `zone` (IANA name or offset)."""
    where = zone_of(zone)
    if where is None:
        raise ValueError(f"{zone!r} is no offset between -1200 and +1400")
    return at.astimezone(where).strftime("%Y%m%d%H%M%S%z")[:19]


@lru_cache(maxsize=64)
def zone_of(zone: str) -> tzinfo | None:
    """Return the zone for an IANA name (which must exist) or an offset; None for a bad offset."""
    if zone[:1] in ("+", "-"):
        return _offset(zone)
    return UTC if zone == "UTC" else ZoneInfo(zone)


def _offset(text: str) -> tzinfo | None:
    if re.fullmatch(r"[+-]\d{4}", text, re.ASCII) is None or int(text[3:]) > 59:
        return None
    size = timedelta(hours=int(text[1:3]), minutes=int(text[3:]))
    offset = -size if text[0] == "-" else size
    return timezone(offset) if _WEST <= offset <= _EAST else None
