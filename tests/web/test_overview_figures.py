"""The figures of the overview, against numpy and a worked table."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.facts.case import CaseRecord, Entry
from verifier.facts.report import Observation
from verifier.facts.subjects import Specimen
from verifier.facts.verdicts import Decision, ResultDecision
from verifier.store.overviewrows import Course, HeldCount, SettledCount
from verifier.web.figures import (
    by_age,
    causes,
    quantile,
    shares,
    times,
    times_by_priority,
    together,
    within,
)

NOW = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@given(
    st.lists(st.floats(0, 1e6, allow_subnormal=False), min_size=1, max_size=60),
    st.sampled_from([0.5, 0.9]),
)
def test_a_quantile_is_that_of_numpy(values: list[float], part: float) -> None:
    """Hyndman RJ, Fan Y, Am Stat 1996;50:361: definition 1, the inverse of the distribution."""
    assert quantile(values, part) == np.quantile(values, part, method="inverted_cdf")


def test_there_is_no_quantile_of_nothing() -> None:
    assert quantile([], 0.5) is None


def test_what_became_of_the_results_of_each_test() -> None:
    settled = [
        SettledCount("sodium", True, "released", "", 90),
        SettledCount("sodium", False, "released", "delta", 6),
        SettledCount("sodium", False, "rejected", "delta", 1),
        SettledCount("sodium", False, "suppressed", "delta", 1),
        SettledCount("sodium", True, "superseded", "", 50),  # another value stands in its place
        SettledCount("urea", True, "released", "", 1),
    ]
    first, second = shares(settled, [HeldCount("sodium", "critical", 2)])
    assert (first.test, first.by_rules, first.by_person) == ("sodium", 90, 6)
    assert (first.unreported, first.held, first.total, first.part) == (2, 2, 100, 0.9)
    assert (second.test, second.part) == ("urea", 1.0)
    assert together([first, second]).total == 101
    assert together([]).part == 0


def test_reasons_add_up_to_all_of_them() -> None:
    settled = [
        SettledCount("sodium", False, "released", "delta", 6),
        SettledCount("urea", False, "rejected", "delta", 1),
        SettledCount("urea", False, "released", "", 3),  # held by nobody's rule
        SettledCount("urea", True, "released", "wait", 9),  # the rules let it go themselves
    ]
    found = causes(settled, [HeldCount("sodium", "critical", 3)])
    assert [(each.rule, each.count) for each in found] == [("delta", 7), ("critical", 3)]
    assert [each.sofar for each in found] == [pytest.approx(0.7), 1.0]
    assert causes([], []) == []


def test_ages_fall_into_their_bands() -> None:
    minutes = [0, 14.9, 15, 59, 60, 1439, 1440, 99999]
    ages = [(5 if m == 15 else 3, NOW - timedelta(minutes=m)) for m in minutes]
    assert [sum(band.values()) for band in by_age(ages, NOW)] == [2, 1, 1, 1, 0, 0, 1, 2]
    assert by_age(ages, NOW)[1] == {5: 1}


def course(priority: str, *minutes: float) -> Course:
    """A specimen whose results were decided at once and released after so many minutes each."""
    at = {place: NOW + timedelta(minutes=length) for place, length in enumerate(minutes)}
    seen = Observation("K", "L", "Potassium", "NM", "4.1", "mmol/L", "F", segment=4, order=3)
    entries = tuple(Entry(seen, "line", 1, NOW, "released", "rules") for _ in minutes)
    specimen = Specimen("S1", "serum", attributes={"priority": priority} if priority else {})
    results = tuple(
        ResultDecision(place, "potassium", "Potassium", "K", "4.1", "mmol/L", "release", "", "", ())
        for place in at
    )
    record = CaseRecord(specimen=specimen, patient=None, opened=NOW, entries=entries)
    return Course(record, (Decision("a" * 64, NOW, results),), at)


def test_times_by_priority_and_what_kept_its_target() -> None:
    courses = [course("", 10, 200), course("stat", 5, 29, 31), course("stat", 30)]
    found = times_by_priority(courses)
    assert list(found) == ["stat", "routine"], "the most urgent first"
    assert sorted(found["stat"].released) == [300, 1740, 1800, 1860]
    assert within(found["stat"].released, timedelta(minutes=30)) == 0.75
    assert within(found["routine"].released, timedelta(minutes=120)) == 0.5
    assert within([], timedelta(minutes=1)) is None
    (of_test,) = times(courses).values()
    assert len(of_test.released) == 6
