"""Patients' results as a control: statistics and limits against worked values and other readers."""

import random
import statistics
from decimal import Decimal

import pytest

from verifier.quality.detection import (
    Alarms,
    at_most,
    candidates,
    detection,
    false_alarms,
    needed,
    percentile,
    tune,
    with_limits,
)
from verifier.quality.moving import Moving, Plan, limits, readings, spread, step


def decimals(text: str) -> list[Decimal]:
    return [Decimal(word) for word in text.split()]


def shown(plan: Plan, text: str) -> list[str | None]:
    found = readings(plan, decimals(text))
    return [None if one is None else format(one.statistic.normalize(), "f") for one in found]


EWMA = Plan("ewma", Decimal(140), weight=Decimal("0.1"), sd=Decimal(3))


def test_ewma_of_a_series() -> None:
    """E = λx + (1−λ)E, Roberts SW, Technometrics 1959;1:239; computed by hand."""
    told = shown(EWMA, "142 141 143 144 145 143")
    assert told == ["140.2", "140.28", "140.552", "140.8968", "141.30712", "141.476408"]


@pytest.mark.parametrize(
    ("count", "factor"),
    [(1, "0.1"), (2, "0.134536"), (3, "0.157038"), (6, "0.194337"), (5000, "0.229416")],
)
def test_ewma_limits_widen_to_their_end(count: int, factor: str) -> None:
    """√(λ/(2−λ)·(1−(1−λ)^2t)), Roberts SW, Technometrics 1959;1:239; computed by hand."""
    assert round(spread(EWMA, count), 6) == Decimal(factor)


def test_ewma_limits_of_a_settled_series() -> None:
    low, high = limits(EWMA, 5000)
    assert low is not None
    assert high is not None
    assert (round(low, 4), round(high, 4)) == (Decimal("137.9353"), Decimal("142.0647"))


def test_moving_mean_of_five() -> None:
    """Computed by hand: sums of five consecutive values."""
    plan = Plan("mean", Decimal(140), size=5)
    told = shown(plan, "139 141 140 142 138 140 145 146 144 147")
    assert told == [None] * 4 + ["140", "140.2", "141", "142.2", "142.6", "144.4"]


@pytest.mark.parametrize("size", [4, 5, 21])
def test_mean_and_median_as_the_standard_library_has_them(size: int) -> None:
    source = random.Random(size)
    values = [Decimal(source.randint(1300, 1500)).scaleb(-1) for _ in range(120)]
    for kind, other in (("mean", statistics.mean), ("median", statistics.median)):
        told = list(readings(Plan(kind, Decimal(140), size), values))  # type: ignore[arg-type]
        for end in range(size, len(values) + 1):
            reading = told[end - 1]
            assert reading is not None
            assert round(reading.statistic, 20) == round(other(values[end - size : end]), 20)


def test_the_spread_of_a_mean_is_that_of_its_size() -> None:
    """SD of a mean of n values: σ/√n."""
    plan = Plan("mean", Decimal(140), size=16, sd=Decimal(4))
    assert limits(plan, 99) == (Decimal(137), Decimal(143))


def test_results_outside_are_left_out_or_cut() -> None:
    text = "4 4 9 4"
    left = Plan("mean", Decimal(4), size=3, highest=Decimal(6))
    cut = Plan("mean", Decimal(4), size=3, highest=Decimal(6), outside="cap")
    assert shown(left, text) == [None, None, None, "4"]
    third = list(readings(cut, decimals(text)))[2]
    assert third is not None
    assert round(third.statistic, 6) == Decimal("4.666667")
    low = Plan("mean", Decimal(4), size=1, lowest=Decimal(3), outside="cap")
    assert shown(low, "1 3 5") == ["3", "3", "5"]


def test_an_alarm_stands_until_the_statistic_is_back() -> None:
    plan = Plan("mean", Decimal(5), size=2, low=Decimal(4), high=Decimal(6))
    told = [one.alarm for one in readings(plan, decimals("5 5 8 9 6 5 2 1")) if one]
    assert told == [False, True, True, True, False, True, True]


def test_a_stored_state_goes_on_where_it_was() -> None:
    values = decimals("142 141 143 144 145 143 150 139")
    moving, told = Moving(), []
    for value in values:
        moving, reading = step(EWMA, moving, value)
        told.append(reading)
    assert told == list(readings(EWMA, values))
    assert moving.count == len(values)


def history(seed: int = 7, count: int = 3000) -> list[Decimal]:
    source = random.Random(seed)
    return [Decimal(round(source.gauss(1400, 30))).scaleb(-1) for _ in range(count)]


def test_a_larger_bias_is_found_sooner() -> None:
    values = history()
    plan = with_limits(Plan("mean", Decimal(140), size=20), values, Decimal(1))
    assert false_alarms(plan, values).rate <= 2
    curve = detection(plan, values, decimals("1 2 3 5"))
    assert [one.found for one in curve][1:] == [one.places for one in curve][1:]
    told = [one.median for one in curve if one.median is not None]
    assert told == sorted(told, reverse=True)
    assert told[-1] < 20
    (none,) = detection(plan, values, [Decimal("0.01")])
    assert none.median is None or none.median > 100


def test_a_bias_too_small_to_see_is_said_to_be_not_found() -> None:
    wide = Plan("mean", Decimal(140), size=20, low=Decimal(100), high=Decimal(180))
    (one,) = detection(wide, history(count=300), [Decimal(5)])
    assert (one.found, one.median, one.most) == (0, None, None)


def test_percentiles_by_nearest_rank() -> None:
    """The worked example of the nearest-rank method for 15, 20, 35, 40, 50 (common practice)."""
    five = decimals("15 20 35 40 50")
    told = [percentile(five, Decimal(p)) for p in (5, 30, 40, 50, 100)]
    assert told == decimals("15 20 20 35 50")


@pytest.mark.parametrize(
    ("count", "bound"), [(0, "2.996"), (1, "4.744"), (2, "6.296"), (5, "10.513"), (10, "16.962")]
)
def test_the_upper_bound_of_a_count(count: int, bound: str) -> None:
    """Half of the 95th percentile of χ² with 2(n + 1) degrees of freedom, from its tables
    (5.991, 9.488, 12.592, 21.026, 33.924); for none the rule of three, JAMA 1983;249:1743."""
    assert round(at_most(count), 3) == Decimal(bound)


def test_how_many_results_show_a_rate() -> None:
    assert needed(Decimal(1)) == 2996
    assert Alarms(0, needed(Decimal(1))).at_most <= 1 < Alarms(0, needed(Decimal(1)) - 1).at_most
    assert Alarms(0, 300).rate == 0
    assert round(Alarms(0, 300).at_most, 2) == Decimal("9.99")


def test_tuning_puts_the_quickest_plan_first() -> None:
    values = history(count=600)
    plans = tune(values, decimals("-3 3"), aim=Decimal(3))
    assert len(plans) == 3
    slow = [max(one.most or 9999 for one in plan.curve) for plan in plans]
    assert slow[0] <= slow[-1]
    assert all(plan.alarms.results <= 300 for plan in plans), "counted on the other half only"
    assert all(plan.alarms.at_most >= 1000 * 3 / Decimal(301) for plan in plans)
    assert {plan.kind for plan in candidates(values)} == {"mean", "median", "ewma"}
