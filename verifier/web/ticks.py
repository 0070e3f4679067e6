"""Where an axis is marked: round instants of the laboratory's calendar, round numbers."""

import math
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

MOST = 7
_Marks = Callable[[date, date, int, ZoneInfo], Iterator[datetime]]


def time_ticks(first: datetime, last: datetime, zone: ZoneInfo) -> list[tuple[datetime, str]]:
    """Return at most `MOST` round instants from `first` to `last` with their words.

    The finest of hours, days, months and years that fits; days and hours are those of `zone`.
    """
    start, end = first.astimezone(zone).date(), last.astimezone(zone).date()
    for marks, steps, words in _SCALES:
        for step in steps:
            if _too_many(last - first, marks, step):
                continue
            found = [at for at in marks(start, end, step, zone) if first <= at <= last]
            if len(found) <= MOST:
                return [(at, words(at)) for at in found]
    return []


def number_ticks(low: float, high: float) -> list[float]:
    """Return three to six round numbers from `low` to `high` (steps of 1, 2 or 5)."""
    if not high > low:
        return [low]
    rough = (high - low) / 4
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * times for times in (1, 2, 5, 10) if size * times >= rough * 0.8)
    start = math.ceil(low / step - 1e-9)
    stop = math.floor(high / step + 1e-9)
    return [round(step * at, 12) for at in range(start, stop + 1)]


def _hours(start: date, end: date, step: int, zone: ZoneInfo) -> Iterator[datetime]:
    for day in _days(start, end, 1, zone):
        for hour in range(0, 24, step):
            yield day.replace(hour=hour)


def _days(start: date, end: date, step: int, zone: ZoneInfo) -> Iterator[datetime]:
    for number in range(start.toordinal(), end.toordinal() + 1):
        if number % step == 0:
            day = date.fromordinal(number)
            yield datetime(day.year, day.month, day.day, tzinfo=zone)


def _months(start: date, end: date, step: int, zone: ZoneInfo) -> Iterator[datetime]:
    for number in range(start.year * 12 + start.month - 1, end.year * 12 + end.month):
        if number % step == 0:
            yield datetime(number // 12, number % 12 + 1, 1, tzinfo=zone)


def _years(start: date, end: date, step: int, zone: ZoneInfo) -> Iterator[datetime]:
    for year in range(start.year, end.year + 1):
        if year % step == 0:
            yield datetime(year, 1, 1, tzinfo=zone)


_LASTS: dict[_Marks, timedelta] = {
    _hours: timedelta(hours=1),
    _days: timedelta(days=1),
    _months: timedelta(days=28),
    _years: timedelta(days=365),
}


def _too_many(span: timedelta, marks: _Marks, step: int) -> bool:
    """Return whether the marks need not be looked for: a year is not walked through by the hour."""
    return span > _LASTS[marks] * step * 3 * MOST


def _day_words(at: datetime) -> str:
    return f"{at.day} {at:%b}"


def _hour_words(at: datetime) -> str:
    return _day_words(at) if at.hour == 0 else f"{at:%H:%M}"


def _month_words(at: datetime) -> str:
    return f"{at:%b %Y}"


_SCALES: tuple[tuple[_Marks, tuple[int, ...], Callable[[datetime], str]], ...] = (
    (_hours, (1, 2, 3, 6, 12), _hour_words),
    (_days, (1, 2, 7, 14), _day_words),
    (_months, (1, 2, 3, 6), _month_words),
    (_years, (1, 2, 5, 10), lambda at: str(at.year)),
)
