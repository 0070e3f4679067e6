"""Limits by age and sex, at the edges of each band, as a patient meets them."""

from datetime import date, timedelta

import pytest

from verifier.language import check
from verifier.rulefiles import read_files, shipped_rules

from .somebody import born, judged, reasons, shipped

ADULT, CHILD = born(40, "years"), born(10, "years")


def last_day_before(count: int, unit: str) -> date:
    """Return the birth date of somebody who completes so much tomorrow."""
    return born(count, unit) + timedelta(days=1)


# test, the last value that is not critical and the first that is, birth date, specimen.
# Kost, Pediatrics 1991;88:597 (children's hospitals), Kost, JAMA 1990;263:704 (adults), Campbell,
# CCLM 2019;57:89 (potassium from birth to 6 months), RCPath G158, 2017, from memory (urea and
# creatinine under 16); the others published lists of hospitals.
CRITICAL = [
    ("sodium", "156", "157", last_day_before(18, "years"), "serum"),
    ("sodium", "158", "159", born(18, "years"), "serum"),
    ("sodium", "121", "120", CHILD, "serum"),
    ("potassium", "7.0", "7.1", last_day_before(6, "months"), "serum"),
    ("potassium", "6.5", "6.6", last_day_before(6, "months"), "plasma"),
    ("potassium", "6.4", "6.5", born(6, "months"), "plasma"),
    ("potassium", "6.2", "6.3", born(18, "years"), "plasma"),
    ("bicarbonate", "39", "40", CHILD, "serum"),
    ("calcium", "3.17", "3.18", CHILD, "serum"),
    ("calcium", "1.62", "1.61", CHILD, "serum"),
    ("magnesium", "1.77", "1.78", CHILD, "serum"),
    ("magnesium", "0.45", "0.44", CHILD, "serum"),
    ("glucose", "1.8", "1.7", last_day_before(28, "days"), "plasma"),
    ("glucose", "2.6", "2.5", born(28, "days"), "plasma"),
    ("glucose", "24.7", "24.8", CHILD, "plasma"),
    ("urea", "9.9", "10.0", last_day_before(16, "years"), "serum"),
    ("urea", "37.1", "37.2", born(16, "years"), "serum"),
    ("creatinine", "199", "200", last_day_before(16, "years"), "serum"),
    ("creatinine", "654", "655", born(16, "years"), "serum"),
    ("phosphate", "0.81", "0.80", last_day_before(3, "years"), "serum"),  # 2.5 mg/dL
    ("phosphate", "0.65", "0.64", born(3, "years"), "serum"),  # 2.0 mg/dL
    ("phosphate", "0.49", "0.48", born(13, "years"), "serum"),  # 1.5 mg/dL
    ("phosphate", "0.39", "0.38", born(18, "years"), "serum"),
    ("bilirubin", "171", "172", born(0, "days"), "serum"),  # 10 mg/dL
    ("bilirubin", "222", "223", born(30, "days"), "serum"),  # 13 mg/dL
    ("bilirubin", "257", "258", born(31, "days"), "serum"),
    ("ammonia", "99", "100", last_day_before(1, "years"), "plasma"),
    ("ammonia", "150", "151", born(1, "years"), "plasma"),
    ("ammonia", "199", "200", ADULT, "plasma"),
    ("iron", "30", "30.1", CHILD, "serum"),
    ("iron", "50", "50.1", ADULT, "serum"),
]


@pytest.mark.parametrize(("test", "fine", "critical", "birth", "specimen"), CRITICAL)
def test_critical(test: str, fine: str, critical: str, birth: date, specimen: str) -> None:
    assert "critical hold" not in reasons(test, fine, birth, specimen=specimen)
    assert "critical hold" in reasons(test, critical, birth, specimen=specimen)


@pytest.mark.parametrize("days", [0, 4, 10, 30, 58])
def test_a_gap_of_a_table_is_no_interval(days: int) -> None:
    # alkaline phosphatase, a reproduced pediatric handbook table: 1-3 days, then 2-24 months
    found = judged("alp", "200", born(days, "days"))
    assert not found.references.get(0)
    assert "outside-autorelease unknown" in reasons("alp", "200", born(days, "days"))


@pytest.mark.parametrize(("count", "unit"), [(1, "days"), (3, "days"), (2, "months"), (9, "years")])
def test_beside_the_gap_there_is_one(count: int, unit: str) -> None:
    assert judged("alp", "200", born(count, unit)).references[0]
    assert "outside-autorelease unknown" not in reasons("alp", "200", born(count, unit))


def test_the_tests_held_for_every_child_are_those_without_limits_for_children() -> None:
    ages = [born(days, "days") for days in (0, 20, 40, 120, 240)]
    ages += [born(years, "years") for years in range(1, 18)]
    limited = set()
    for test, known in shipped().catalogue.tests.items():
        inside = "50" if known.unit in ("U/L", "umol/L") else "1"
        if any(
            not {"outside-autorelease unknown", "critical unknown"}
            & reasons(test, inside, birth, sex)
            for birth in ages
            for sex in "FM"
        ):
            limited.add(test)
    (held,) = [set(rule.tests) for rule in shipped().rules if rule.name == "children"]
    assert held == set(shipped().catalogue.tests) - limited


@pytest.mark.parametrize("test", ["cholesterol", "troponin_t_hs", "ck"])
def test_a_child_is_held_where_the_limits_are_for_adults(test: str) -> None:
    assert "children hold" in reasons(test, "5", last_day_before(18, "years"))
    assert "children hold" not in reasons(test, "5", born(18, "years"))


@pytest.mark.parametrize(
    ("test", "value", "birth"),
    [
        ("sodium", "140", CHILD), ("creatinine", "45", CHILD), ("alp", "250", CHILD),
        ("alt", "20", CHILD), ("protein", "70", CHILD), ("phosphate", "1.5", CHILD),
        ("calcium", "2.40", born(3, "days")), ("bilirubin", "90", born(3, "days")),
        ("glucose", "3.0", born(3, "days")), ("potassium", "5.6", born(3, "months")),
    ],
)  # fmt: skip
def test_an_ordinary_result_of_a_child_is_not_held_for_its_limits(
    test: str, value: str, birth: date
) -> None:
    of_limits = ("critical", "impossible", "outside-", "changed", "children")
    assert not [said for said in reasons(test, value, birth) if said.startswith(of_limits)]


DAY = timedelta(days=1)


# Reference change values hold outside the reference interval only: Hong, J Clin Lab Anal
# 2020;34:e23550. AST: 2.58 * sqrt(2) * sqrt(ln(1 + 0.033^2 + 0.123^2)) is a factor of 1.588.
@pytest.mark.parametrize(
    ("before", "now", "held"),
    [("15", "34", False), ("34", "15", False), ("34", "54", False), ("34", "55", True)],
)
def test_a_change_by_chance_is_held_where_it_is_unusual(before: str, now: str, held: bool) -> None:
    found = reasons("ast", now, ADULT, earlier=(DAY, before))
    assert ("changed-and-unusual hold" in found) is held


# 5 % of 140 mmol/L of sodium: from memory, Ladenson 1975, Whitehurst 1975
@pytest.mark.parametrize(("now", "held"), [("147", False), ("148", True), ("133", False)])
def test_a_fixed_change_is_held_wherever_it_ends(now: str, held: bool) -> None:
    assert ("changed hold" in reasons("sodium", now, ADULT, earlier=(DAY, "140"))) is held


@pytest.mark.parametrize(
    ("test", "value"), [("potassium", "14.1"), ("sodium", "89"), ("calcium", "0.8")]
)
def test_what_nobody_lives_with_is_a_mistake(test: str, value: str) -> None:
    assert "impossible hold" in reasons(test, value, ADULT)


def test_what_the_checker_remarks_is_known() -> None:
    # gaps of tables that are printed with gaps, and tests nobody is phoned for
    remarks = check(read_files(shipped_rules())[0]).diagnostics
    assert {item.severity for item in remarks} <= {"note"}
    assert {item.code for item in remarks} <= {"R306", "R408"}
    alone = {item.message.split(" has no")[0] for item in remarks if item.code == "R408"}
    assert alone <= {"crp", "ck_mb", "ck_mb_activity"}
