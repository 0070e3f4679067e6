"""Exact ages from calendar dates, and what can be told when a birth date is only partly known.

A year (month) is completed on the day with the same number; where that day does not exist, on
the day after the last of that month. So who is born on 29 February completes a year on 1 March
of a common year: the later of the two conventions in use, written down here because a limit may
hang on it.

The first days of life are counted in hours: a limit for the first day ends 24 hours after birth.
Where the time of birth or of collection is not told, the youngest age that fits is taken.
"""

import re
from datetime import date, datetime, time, timedelta
from typing import Literal

from verifier.facts.subjects import BirthDate, Moment

Span = Literal["days", "weeks", "months", "years"]


def completed(birth: date, on: date, span: Span) -> int:
    """Return the completed days, weeks, months or years of age; negative before birth."""
    if span == "days":
        return (on - birth).days
    if span == "weeks":
        return (on - birth).days // 7
    months = (on.year - birth.year) * 12 + on.month - birth.month
    if on.day < birth.day:
        months -= 1
    return months if span == "months" else months // 12


def anniversary(birth: date, number: int, span: Span) -> date:
    """Return the first day on which `completed(birth, day, span)` is `number`.

    Raises:
        OverflowError, ValueError: the day lies outside the years 1 to 9999.
    """
    if span in {"days", "weeks"}:
        return birth + timedelta(days=number * (7 if span == "weeks" else 1))
    months = birth.year * 12 + birth.month - 1 + number * (12 if span == "years" else 1)
    try:
        return date(months // 12, months % 12 + 1, birth.day)
    except ValueError:
        months += 1
        return date(months // 12, months % 12 + 1, 1)


def age_range(birth: BirthDate, on: date, span: Span) -> tuple[int, int]:
    """Return the least and the most the age can be: both equal when the birth day is known."""
    return (completed(birth.latest, on, span), completed(birth.earliest, on, span))


# An age of up to so many days ends at an hour: 24, 48 or 72 hours after birth.
BY_HOURS = 3

_CLOCK = re.compile(r"\d{8}(\d\d)(\d\d)?(?:\d\d(?:\.\d+)?)?([+-]\d{4})?", re.ASCII)


def hours_reached(birth: BirthDate, end: date, on: date, taken: Moment | None, days: int) -> bool:
    """Return whether so many times 24 hours have passed for certain since a birth on day `end`.

    `on` is the day the specimen was taken, `taken` the time where it is known.
    """
    drawn = _clock(taken.text, time(0)) if taken else None
    if birth.clock is None or drawn is None:
        return (on - end).days > days
    born = datetime.combine(end, birth.clock)
    at = datetime.combine(on, drawn)
    if born.tzinfo is None or at.tzinfo is None:  # one clock: that of the sender
        born, at = born.replace(tzinfo=None), at.replace(tzinfo=None)
    return at - born >= timedelta(days=days)


def closer(first: BirthDate | None, second: BirthDate | None) -> BirthDate | None:
    """Return the first birth date there is, with the time of the second where only that has one."""
    if first and second and not first.clock and not first.contradicts(second):
        return second
    return first or second


def _clock(text: str, open_minutes: time) -> time | None:
    """Return the time of day of a DTM, aware where an offset stands; None when it has none."""
    shape = _CLOCK.fullmatch(text.strip())
    if shape is None:
        return None
    hour, minute, offset = shape.groups()
    try:
        clock = time(int(hour), int(minute) if minute else open_minutes.minute)
        if not offset:
            return clock
        zone = datetime.strptime(offset, "%z").tzinfo
    except ValueError:
        return None
    return clock.replace(tzinfo=zone)


def parse_birth(text: str) -> BirthDate | None:
    """Read PID-7 to the precision it is given in: year, month, day or time; None when no date.

    A time (HL7 v2.5.1 section 2.A.77, TS) that says the hour only is taken as the end of the hour.
    """
    digits = text.strip()[:8]
    if len(digits) not in {4, 6, 8} or not (digits.isascii() and digits.isdigit()):
        return None
    year = int(digits[:4])
    try:
        if len(digits) == 4:
            return BirthDate(date(year, 1, 1), date(year, 12, 31))
        if len(digits) == 6:
            first = date(year, int(digits[4:]), 1)
            return BirthDate(first, anniversary(first, 1, "months") - timedelta(days=1))
        day = date(year, int(digits[4:6]), int(digits[6:]))
    except (ValueError, OverflowError):
        return None
    return BirthDate(day, day, _clock(text, time(0, 59)))


def calendar_day(moment: Moment) -> date:
    """Return the day of a moment in the sender's own calendar, the one birth dates are in.

    The instant is kept in UTC, where a specimen taken after local midnight may lie a day earlier.
    """
    try:
        return date(int(moment.text[:4]), int(moment.text[4:6] or 1), int(moment.text[6:8] or 1))
    except ValueError:
        return moment.at.date()
