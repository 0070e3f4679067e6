"""Dates and times (HL7 v2.5.1 section 2.A.22; offsets by section 2.15.9.7)."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.hl7.moments import format_moment, parse_moment, zone_of

VIENNA = "Europe/Vienna"


@pytest.mark.parametrize(
    ("text", "iso", "precision"),
    [
        ("2026", "2025-12-31T23:00:00", "year"),
        ("202607", "2026-06-30T22:00:00", "month"),
        ("20260704", "2026-07-03T22:00:00", "day"),
        ("2026070413", "2026-07-04T11:00:00", "hour"),
        ("202607041315", "2026-07-04T11:15:00", "minute"),
        ("20260704131559", "2026-07-04T11:15:59", "second"),
        ("20260704131559.25", "2026-07-04T11:15:59.250000", "second"),
        ("20260704131559.1234", "2026-07-04T11:15:59.123400", "second"),
        ("20260704131559-0530", "2026-07-04T18:45:59", "second"),
        ("20260704+0000", "2026-07-04T00:00:00", "day"),
        ("20240229", "2024-02-28T23:00:00", "day"),
        # The hour of 25 October 2026, 02:00 to 03:00, occurs twice: the first of the two.
        ("202610250230", "2026-10-25T00:30:00", "minute"),
        ("202610250230+0100", "2026-10-25T01:30:00", "minute"),
    ],
)
def test_moments(text: str, iso: str, precision: str) -> None:
    assert parse_moment(text, VIENNA) == (datetime.fromisoformat(iso + "+00:00"), precision)


@pytest.mark.parametrize(
    "text",
    [
        "", '""', "202", "20261", "20260230", "20250229", "20261301", "2026070424", "202607041360",
        "20260704131560", "20260704131559.", "20260704131559.12345", "202607041315.5",
        "2026-07-04T13:15:59Z", "20260704131559+1500", "20260704131559-1230", "20260704131559+0160",
        "20260704131559+01", " 20260704", "20260704\n", "٢٠٢٦", "00000101", "today",
        "202603290230",  # skipped when Vienna goes to summer time
        "99991231235959-1200",  # beyond what can be counted
    ],
)  # fmt: skip
def test_no_moments(text: str) -> None:
    assert parse_moment(text, VIENNA) is None


def test_a_zone_may_be_an_offset() -> None:
    assert parse_moment("2026070413", "+0200") == (datetime(2026, 7, 4, 11, tzinfo=UTC), "hour")
    assert parse_moment("2026070413", "+9900") is None
    assert format_moment(datetime(2026, 7, 4, 11, tzinfo=UTC), "+0200") == "20260704130000+0200"
    with pytest.raises(ValueError, match="no offset"):
        format_moment(datetime(2026, 7, 4, 11, tzinfo=UTC), "+9900")


@given(
    st.datetimes(datetime(1800, 1, 1), datetime(2200, 1, 1)),  # noqa: DTZ001 - made aware below
    st.sampled_from(["UTC", "America/St_Johns", "Asia/Kathmandu", "-0330", "+1400"]),
)
def test_what_is_written_is_read(naive: datetime, zone: str) -> None:
    at = naive.replace(tzinfo=UTC, microsecond=0)
    offset = at.astimezone(zone_of(zone)).utcoffset()
    assert offset is not None
    if offset % timedelta(minutes=1):
        at = at.replace(year=at.year + 200 if at.year < 2000 else at.year)  # local mean time
    assert parse_moment(format_moment(at, zone), "UTC") == (at, "second")


@given(st.text(alphabet="0123456789.+-Z \r", max_size=24))
def test_reading_never_fails(text: str) -> None:
    parse_moment(text, VIENNA)
