"""Ages in exact calendar units."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.facts.ages import (
    age_range,
    anniversary,
    calendar_day,
    closer,
    completed,
    hours_reached,
    parse_birth,
)
from verifier.facts.subjects import BirthDate, Moment

days = st.dates(min_value=date(1900, 1, 1), max_value=date(2100, 12, 31))
spans = st.sampled_from(["days", "weeks", "months", "years"])


@pytest.mark.parametrize(
    ("birth", "on", "span", "age"),
    [
        ("2000-02-29", "2018-02-28", "years", 17),
        ("2000-02-29", "2018-03-01", "years", 18),
        ("2000-02-29", "2020-02-28", "years", 19),
        ("2000-02-29", "2020-02-29", "years", 20),
        ("2007-11-26", "2025-11-25", "years", 17),
        ("2007-11-25", "2025-11-25", "years", 18),
        ("2025-01-31", "2025-02-28", "months", 0),
        ("2025-01-31", "2025-03-01", "months", 1),
        ("2025-01-01", "2025-01-28", "days", 27),
        ("2025-01-01", "2025-01-29", "weeks", 4),
        ("2025-01-02", "2025-01-01", "years", -1),
        ("2025-01-02", "2025-01-01", "days", -1),
    ],
)
def test_completed(birth: str, on: str, span: str, age: int) -> None:
    assert completed(date.fromisoformat(birth), date.fromisoformat(on), span) == age  # type: ignore[arg-type]


@given(days, days, spans)
def test_age_never_falls(birth: date, on: date, span: str) -> None:
    before = completed(birth, on, span)  # type: ignore[arg-type]
    after = completed(birth, on + timedelta(days=1), span)  # type: ignore[arg-type]
    assert after in {before, before + 1}


@given(days, st.integers(0, 120), spans)
def test_the_anniversary_is_the_first_day_of_an_age(birth: date, number: int, span: str) -> None:
    day = anniversary(birth, number, span)  # type: ignore[arg-type]
    assert completed(birth, day, span) == number  # type: ignore[arg-type]
    assert completed(birth, day - timedelta(days=1), span) == number - 1  # type: ignore[arg-type]


@given(days, days, spans)
def test_who_is_born_later_is_never_older(one: date, other: date, span: str) -> None:
    on = date(2110, 6, 15)
    early, late = sorted((one, other))
    assert completed(early, on, span) >= completed(late, on, span)  # type: ignore[arg-type]


def test_a_partial_birth_date_is_a_range() -> None:
    year = parse_birth("2007")
    assert year == BirthDate(date(2007, 1, 1), date(2007, 12, 31))
    assert age_range(year, date(2025, 11, 25), "years") == (17, 18)
    assert parse_birth("200702") == BirthDate(date(2007, 2, 1), date(2007, 2, 28))
    assert parse_birth("200712") == BirthDate(date(2007, 12, 1), date(2007, 12, 31))
    exact = parse_birth("20071125083000")
    assert exact == BirthDate(date(2007, 11, 25), date(2007, 11, 25), time(8, 30))
    assert age_range(exact, date(2025, 11, 25), "years") == (18, 18)


@pytest.mark.parametrize(
    "text", ["", "0", "20240231", "20241301", "0000", "2024-1-1", "１９８０", "unknown"]
)
def test_what_is_no_birth_date(text: str) -> None:
    assert parse_birth(text) is None


def test_the_day_is_that_of_the_senders_calendar() -> None:
    # Half past midnight in Auckland is still the day before in UTC.
    taken = Moment(datetime(2026, 1, 14, 11, 30, tzinfo=UTC), "minute", "202601150030+1300")
    assert calendar_day(taken) == date(2026, 1, 15)
    assert calendar_day(Moment(taken.at, "month", "202601")) == date(2026, 1, 1)


BORN = date(2026, 11, 23)


@pytest.mark.parametrize(
    ("birth", "taken", "days", "reached"),
    [
        ("20261123230000", "20261124073000", 1, False),  # 8.5 hours
        ("20261123230000", "20261124230000", 1, True),
        ("20261123230000", "20261124225900", 1, False),
        ("202611232300", "20261125225900", 2, False),
        ("20261123", "20261124235900", 1, False),  # may be born at any hour: the youngest that fits
        ("20261123", "20261125000000", 1, True),
        ("20261123080000", "20261124", 1, False),  # taken at any hour
        ("2026112308", "20261124083000", 1, False),  # born until 8:59
        ("20261123230000+0100", "20261124230000+0000", 1, True),  # 25 hours
        ("20261123230000+0000", "20261124230000+0100", 1, False),  # 23 hours
        ("20261123230000", "20261124230000+0100", 1, True),  # one clock
    ],
)
def test_the_first_days_of_life_are_counted_in_hours(
    birth: str, taken: str, days: int, reached: bool
) -> None:
    born = parse_birth(birth)
    assert born is not None
    moment = Moment(datetime(2026, 11, 24, tzinfo=UTC), "second", taken)
    found = hours_reached(born, born.latest, calendar_day(moment), moment, days)
    assert found is reached


def test_a_time_of_birth_told_once_is_no_other_birth_date() -> None:
    day, hour = BirthDate(BORN, BORN), BirthDate(BORN, BORN, time(23))
    assert not day.contradicts(hour)
    assert day.contradicts(BirthDate(date(2026, 11, 24), date(2026, 11, 24), time(23)))
    assert closer(day, hour) == hour
    assert closer(hour, day) == hour
    assert closer(None, day) == day
