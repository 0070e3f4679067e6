"""The invented people against the published figures they are built from."""

import math
from datetime import UTC, datetime, timedelta
from random import Random
from statistics import mean, stdev

import pytest

from .analytes import ANALYTES
from .illness import ILLNESSES
from .people import Person, interval
from .physiology import Attack, in_blood, measured

NOON = datetime(2025, 6, 1, 12, tzinfo=UTC)
HEALTHY = 3000
# Glucose is fed, troponin and the drugs have no interval of healthy people that a normal or
# log-normal spread fits; direct bilirubin is cut off at a part of the total.
SPREAD = sorted(set(ANALYTES) - {"bilirubin_direct", "lithium", "digoxin"})


def person(number: int, sex: str, years: float = 45.0, group: str = "outpatient") -> Person:
    birth = (NOON - timedelta(days=years * 365.25)).date()
    return Person(number, sex, birth, group, Random(f"test/{number}"))


def healthy(name: str, sex: str) -> list[float]:
    found = []
    for number in range(HEALTHY):
        one, rng = person(number, sex), Random(f"blood/{number}/{name}")
        found.append(measured(name, in_blood(one, [], NOON, [name], rng)[name], rng))
    return found


@pytest.mark.parametrize("name", SPREAD)
def test_nineteen_of_twenty_healthy_women_lie_inside_the_published_interval(name: str) -> None:
    # A reference interval is the central 95 % of healthy people (CLSI EP28, by title). Where the
    # published variation within a person is wider than the interval allows, fewer lie inside.
    low, high = interval(name, "F", 45 * 365.25)
    share = mean(low <= value <= high for value in healthy(name, "F"))
    assert 0.925 <= share <= 0.98, f"{name}: {share:.3f}"


@pytest.mark.parametrize("name", ["sodium", "potassium", "creatinine", "calcium", "alt", "ck"])
def test_the_middle_of_healthy_men_is_that_of_the_interval(name: str) -> None:
    # Tate, eJIFCC 2016;27:48, Table 3, and NORIP.
    low, high = interval(name, "M", 45 * 365.25)
    values = sorted(healthy(name, "M"))
    middle = math.sqrt(low * high) if ANALYTES[name].log else (low + high) / 2
    assert values[len(values) // 2] == pytest.approx(middle, rel=0.02)


# Ricos's database: ALT, AST, albumin, bilirubin, amylase as listed by a Nordic laboratory; the
# others from memory. Potassium and sodium: the same.
WITHIN = {"alt": 19.4, "ast": 12.3, "albumin": 3.2, "bilirubin": 21.8, "amylase": 8.7,
          "sodium": 0.6, "potassium": 4.6, "chloride": 1.2, "creatinine": 5.95,
          "calcium": 2.1}  # fmt: skip


@pytest.mark.parametrize(("name", "published"), WITHIN.items())
def test_one_person_varies_as_published(name: str, published: float) -> None:
    one, found = person(1, "F"), []
    for day in range(2000):
        at, rng = NOON + timedelta(days=day / 10), Random(f"day/{day}/{name}")
        found.append(in_blood(one, [], at, [name], rng)[name])
    assert 100 * stdev(found) / mean(found) == pytest.approx(published, rel=0.09)


def test_the_anion_gap_of_healthy_people_spans_what_is_published() -> None:
    # 7 to 16 mmol/L without potassium: an electronic record's map of reference intervals.
    names, gaps = ["sodium", "chloride", "bicarbonate"], []
    for number in range(HEALTHY):
        found = in_blood(person(number, "M"), [], NOON, names, Random(f"gap/{number}"))
        gaps.append(found["sodium"] - found["chloride"] - found["bicarbonate"])
    gaps.sort()
    low, high = gaps[HEALTHY // 40], gaps[-HEALTHY // 40]
    assert 7.5 < high - low < 11.5
    assert 5 < low < high < 17


@pytest.mark.parametrize("illness", sorted(ILLNESSES))
def test_the_sickest_stay_among_the_living(illness: str) -> None:
    # The shipped rules call these impossible: sodium outside 90 to 195, potassium 1.2 to 14.
    names = ["sodium", "potassium", "chloride", "bicarbonate", "calcium", "glucose", "creatinine"]
    for number in range(40):
        attack = Attack(illness, 3.0, NOON - timedelta(days=number / 10))
        found = in_blood(person(number, "F"), [attack], NOON, names, Random(number))
        assert 90 < found["sodium"] < 195
        assert 1.2 < found["potassium"] < 14
        assert min(found.values()) > 0


def test_ketoacidosis_looks_like_one_and_gets_better() -> None:
    # Glucose above 13.9, bicarbonate below 15: American Diabetes Association, Diabetes Care
    # 2009;32:1335, moderate ketoacidosis.
    names, attack = (
        ["glucose", "bicarbonate", "sodium", "chloride"],
        Attack("ketoacidosis", 1.2, NOON),
    )
    first, later = (
        [in_blood(person(n, "F"), [attack], at, names, Random(n)) for n in range(200)]
        for at in (NOON, NOON + timedelta(days=3))
    )
    assert mean(one["glucose"] > 13.9 for one in first) > 0.95
    assert mean(one["bicarbonate"] for one in first) < 15
    assert mean(one["sodium"] - one["chloride"] - one["bicarbonate"] for one in first) > 20
    assert mean(one["bicarbonate"] for one in later) > 23
    assert mean(one["glucose"] > 13.9 for one in later) < 0.01


def test_children_have_intervals_of_their_own() -> None:
    # A reproduced pediatric handbook table: alkaline phosphatase of a boy of 4 years.
    values = []
    for number in range(HEALTHY):
        boy, rng = person(number, "M", 4.5, "child"), Random(f"alp/{number}")
        values.append(in_blood(boy, [], NOON, ["alp"], rng)["alp"])
    assert 0.93 <= mean(115 <= value <= 391 for value in values) <= 0.98
