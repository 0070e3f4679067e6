"""Exact ages from calendar dates, and what can be told when a birth date is only partly known.

A year (month) is completed on the day with the same number; where that day does not exist, on
the day after the last of that month. So who is born on 29 February completes a year on 1 March
of a common year: the later of the two conventions in use, written down here because a limit may
hang on it.
"""

from datetime import date, timedelta
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


def parse_birth(text: str) -> BirthDate | None:
    """Read PID-7 to the precision it is given in: year, month or day; None when it is no date."""
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
    return BirthDate(day, day)


def calendar_day(moment: Moment) -> date:
    """Return the day of a moment in the sender's own calendar, the one birth dates are in.

    The instant is kept in UTC, where a specimen taken after local midnight may lie a day earlier.
    """
    try:
        return date(int(moment.text[:4]), int(moment.text[4:6] or 1), int(moment.text[6:8] or 1))
    except ValueError:
        return moment.at.date()
