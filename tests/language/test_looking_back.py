"""Median, rate per day and the reference change value, against published and worked values."""

from datetime import timedelta
from decimal import Decimal
from statistics import NormalDist, median

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import HEAD, judged, program, reasons

from verifier.facts.values import Between, Value
from verifier.language import Program, check
from verifier.language.findings import Findings
from verifier.language.reader import read
from verifier.language.referencechange import LEVELS, ONE_SIDED, reference_change
from verifier.language.source import Source

DAY, HOUR = timedelta(days=1), timedelta(hours=1)
CREATININE = 'test creatinine "Creatinine"\n  unit umol/L\n  molar mass 113.120 g/mol\n'


def rules(condition: str, test: str = "potassium", limits: str = "") -> Program:
    return program(
        f'{HEAD}{CREATININE}{limits}rule r for {test}\n  from "s"\n  hold when {condition}\n'
        '  when unknown hold\n  because "{test} {result}"\n'
    )


def said(made: Program, test: str, today: str | Value, *past: tuple[timedelta, str | Value]) -> str:
    found = reasons(made, {test: today}, earlier={test: list(past)})[test]
    return " ".join(sorted(text.removeprefix("r ") for text in found))


# --- median ---


def test_the_median_as_a_baseline() -> None:
    # Baseline as the median of earlier creatinine, 1.5 times or more is acute kidney injury stage 1
    # (KDIGO 2012; the median: NHS England algorithm 2014, from memory). 80 to 120 umol/L is 1.50.
    made = rules("result >= 1.5 * median(result within 365 days)", "creatinine")
    past = [(9 * DAY, "200"), (20 * DAY, "80"), (300 * DAY, "60")]
    assert said(made, "creatinine", "120", *past) == "hold"
    assert said(made, "creatinine", "119.9", *past) == ""
    assert said(made, "creatinine", "120", *past, (366 * DAY, "500")) == "hold"
    assert said(made, "creatinine", "120", *past, (364 * DAY, "81")) == ""  # (80 + 81) / 2


def test_the_median_is_shown_where_it_decides() -> None:
    made = program(
        f'{HEAD}rule r for potassium\n  from "s"\n'
        "  hold when median(result within 7 days) < 4 mmol/L\n"
        '  when unknown ignore\n  because "{test} {result}, before {earlier}"\n'
    )
    past = {"potassium": [(DAY, "5.0"), (2 * DAY, "3.0"), (3 * DAY, "3.4"), (8 * DAY, "9.0")]}
    (reason,) = judged(made, {"potassium": "5.1"}, earlier=past)[1].reasons[0]
    assert reason.text == "Potassium 5.1 mmol/L, before 3.4 mmol/L"
    (fact,) = reason.facts
    assert (fact.name, fact.value, fact.source) == (
        "median earlier Potassium", "3.4", "of 3 within 7 days",
    )  # fmt: skip


@given(st.lists(st.decimals("0.1", "900", places=1), min_size=1, max_size=9))
def test_the_median_is_the_one_of_the_standard_library(values: list[Decimal]) -> None:
    made = rules(f"median(result within 30 days) = {format(median(values), 'f')} mmol/L")
    past = [(n * DAY, str(value)) for n, value in enumerate(values, 1)]
    assert said(made, "potassium", "5", *past) == "hold"


def test_a_median_over_a_censored_value_or_over_nothing_is_unknown() -> None:
    made = rules("median(result within 7 days) > 1 mmol/L")
    censored = Between(None, Decimal("0.2"))
    assert said(made, "potassium", "5", (DAY, "5"), (2 * DAY, censored)) == "unknown"
    assert said(made, "potassium", "5") == "unknown"
    assert said(made, "potassium", "5", (8 * DAY, "5")) == "unknown"


# --- rate per day ---


@pytest.mark.parametrize(
    ("today", "ago", "before", "condition", "held"),
    [
        ("5.0", 8 * HOUR, "4.0", "= 3 mmol/L/d", True),  # exactly: one division, the last step
        ("5.0", 8 * HOUR, "4.0", "> 3 mmol/L/d", False),
        ("5.0", 2 * DAY, "4.0", "= 0.5 mmol/L/d", True),
        ("3.0", 2 * DAY, "4.0", "= -0.5 mmol/L/d", True),
        ("3.0", 2 * DAY, "4.0", "< -0.4 mmol/L/d", True),
        ("5.0", 8 * HOUR, "4.0", "= 0.125 mmol/L/h", True),
        ("4.1", 7 * HOUR, "4.0", "> 0.3428 mmol/L/d", True),
        ("4.1", 7 * HOUR, "4.0", "> 0.3429 mmol/L/d", False),
    ],
)
def test_the_rate_is_change_for_time_between_collections(
    today: str, ago: timedelta, before: str, condition: str, held: bool
) -> None:
    made = rules(f"rate per day(result within 3 days) {condition}")
    assert said(made, "potassium", today, (ago, before)) == ("hold" if held else "")


def test_a_rate_needs_a_unit_of_change_for_time() -> None:
    for bound, code in (("3 mmol/L", "R203"), ("3", "R204"), ("3 mg/L/d", "R203")):
        text = (
            f'{HEAD}rule r for potassium\n  from "s"\n  when unknown hold\n  because "x"\n'
            f"  hold when rate per day(result within 3 days) > {bound}\n"
        )
        found = check({"a.rules": text}).diagnostics
        assert {item.code for item in found if item.severity == "error"} == {code}, bound


def test_a_change_limit_can_be_a_rate() -> None:
    limits = 'limits for potassium\n  from "s"\n  change at most 1.0 per day within 3 days\n'
    made = rules("result changed too much", limits=limits)
    assert said(made, "potassium", "5.0", (8 * HOUR, "4.6")) == "hold"  # 1.2 a day
    assert said(made, "potassium", "5.0", (9 * HOUR, "4.625")) == ""  # 1.0 a day
    assert said(made, "potassium", "5.0", (9 * HOUR, "4.624")) == "hold"
    assert said(made, "potassium", "5.0", (2 * DAY, "3.0")) == ""
    _, judgement = judged(made, {"potassium": "5.0"}, earlier={"potassium": [(HOUR, "4.0")]})
    limit = next(f for f in judgement.reasons[0][0].facts if f.name == "change limit")
    assert limit.value == "at most 1.0 mmol/L per day within 3 days"
    percent = limits.replace("1.0 per day", "10 % per day")
    made = rules("result changed too much", limits=percent)
    assert said(made, "potassium", "4.8", (2 * DAY, "4.0")) == ""  # 20 % in two days
    assert said(made, "potassium", "4.801", (2 * DAY, "4.0")) == "hold"


@pytest.mark.parametrize(
    ("today", "ago", "before", "condition", "held"),
    [
        ("5.0", 8 * HOUR, "4.0", "= 0.125 mmol/L/h", True),
        ("5.0", 8 * HOUR, "4.0", "= 3 mmol/L/d", True),
        ("3.0", 3 * HOUR, "4.0", "< -0.3333 mmol/L/h", True),
        ("3.0", 3 * HOUR, "4.0", "< -0.3334 mmol/L/h", False),
        ("5.0", 30 * timedelta(minutes=1), "4.0", "= 2 mmol/L/h", True),
    ],
)
def test_the_rate_for_each_hour(
    today: str, ago: timedelta, before: str, condition: str, held: bool
) -> None:
    # Sodium is not to rise faster than 0.5 mmol/L/h (common practice, no source): such a limit is
    # written for hours.
    made = rules(f"rate per hour(result within 24 hours) {condition}")
    assert said(made, "potassium", today, (ago, before)) == ("hold" if held else "")


def test_a_change_limit_for_each_hour() -> None:
    limits = 'limits for potassium\n  from "s"\n  change at most 0.1 per hour within 3 days\n'
    made = rules("result changed too much", limits=limits)
    assert said(made, "potassium", "4.8", (8 * HOUR, "4.0")) == ""
    assert said(made, "potassium", "4.81", (8 * HOUR, "4.0")) == "hold"
    _, judgement = judged(made, {"potassium": "5.0"}, earlier={"potassium": [(HOUR, "4.0")]})
    limit = next(f for f in judgement.reasons[0][0].facts if f.name == "change limit")
    assert limit.value == "at most 0.1 mmol/L per hour within 3 days"


# --- reference change value ---

# √2 · 1.96 · √(CVA² + CVI²), symmetric (Harris and Yasaka, Clin Chem 1983;29:25; Fraser; from
# memory). Within-subject variation: Ricós' database of 2014, from memory, for the electrolytes,
# urea, creatinine, calcium, protein, glucose and CK; its older edition for the others.
PUBLISHED = [
    ("sodium", "0.8", "0.6", "2.77"),
    ("potassium", "1.6", "4.6", "13.50"),
    ("chloride", "1.0", "1.2", "4.33"),
    ("bicarbonate", "2.5", "4.0", "13.07"),
    ("urea", "2.4", "12.1", "34.19"),
    ("creatinine", "2.2", "5.95", "17.58"),
    ("calcium", "1.2", "2.1", "6.70"),
    ("albumin", "1.3", "3.2", "9.57"),
    ("total protein", "1.3", "2.75", "8.43"),
    ("bilirubin", "1.6", "21.8", "60.59"),
    ("ALT", "2.3", "19.4", "54.15"),
    ("AST", "3.3", "12.3", "35.30"),
    ("glucose", "1.8", "5.6", "16.30"),
    ("CK", "2.5", "22.8", "63.58"),
    # within-subject 5.2 %, meta-analysis of 37 studies; analytical 1.1 %: RCV computed, 14.73
    ("creatinine, meta-analysis", "1.1", "5.2", "14.73"),
]


@pytest.mark.parametrize(
    ("analytical", "within", "expected"), [row[1:] for row in PUBLISHED],
    ids=[row[0] for row in PUBLISHED],
)  # fmt: skip
def test_the_reference_change_value(analytical: str, within: str, expected: str) -> None:
    value = f"rcv(analytical {analytical} %, within-subject {within} %, 95 %)"
    made = rules(f"round({value}, 2) = {expected} %")
    assert said(made, "potassium", "5") == "hold"


def test_the_level_99_is_2_58() -> None:
    made = rules("rcv(analytical 3 %, within-subject 4 %, 99 %) is between 18.2433 and 18.2434 %")
    assert said(made, "potassium", "5") == "hold"  # 5 · 2.58 · √2


@pytest.mark.parametrize(
    ("level", "expected"),
    [
        ("95 %", "13.86"),
        ("95 % one-sided", "11.63"),
        ("99 %", "18.24"),
        ("99 % one-sided", "16.45"),
    ],
)
def test_levels_one_sided_and_two_sided(level: str, expected: str) -> None:
    # √2 · Z · 5 %, computed; Z is rounded as the literature rounds it
    made = rules(f"round(rcv(analytical 3 %, within-subject 4 %, {level}), 2) = {expected} %")
    assert said(made, "potassium", "5") == "hold"


def test_z_is_the_quantile_of_the_normal_distribution() -> None:
    for level, two_sided, one_sided in ((95, "1.96", "1.645"), (99, "2.58", "2.326")):
        exact = NormalDist().inv_cdf(1 - (1 - level / 100) / 2)
        assert LEVELS[Decimal(level)] == Decimal(two_sided) == round(Decimal(exact), 2)
        exact = NormalDist().inv_cdf(level / 100)
        assert ONE_SIDED[Decimal(level)] == Decimal(one_sided) == round(Decimal(exact), 3)


def test_a_change_beyond_the_reference_change_value() -> None:
    # potassium 1.6 and 4.6 %: 13.4998…, so 4.00 to 4.54 is 13.5 % and beyond, to 4.5399 is not
    value = "rcv(analytical 1.6 %, within-subject 4.6 %, 95 %)"
    condition = f"abs(percent change(result within 3 days)) > {value}"
    limits = f'limits for potassium\n  from "s"\n  change at most {value} within 3 days\n'
    for made in (rules(condition), rules("result changed too much", limits=limits)):
        assert said(made, "potassium", "4.54", (DAY, "4.00")) == "hold"
        assert said(made, "potassium", "4.5399", (DAY, "4.00")) == ""
        assert said(made, "potassium", "3.46", (DAY, "4.00")) == "hold"
        assert said(made, "potassium", "4.54", (4 * DAY, "4.00")) == "unknown"
    case = {"potassium": "5"}
    _, judgement = judged(made, case, earlier={"potassium": [(DAY, "4.0")]})
    limit = next(f for f in judgement.reasons[0][0].facts if f.name == "change limit")
    assert limit.value == f"at most 13.50 % ({value}) within 3 days"


@pytest.mark.parametrize(
    ("code", "value"),
    [
        ("R203", "rcv(analytical 1.6, within-subject 4.6 %, 95 %)"),
        ("R203", "rcv(analytical 1.6 %, within-subject 4.6 mmol/L, 95 %)"),
        ("R209", "rcv(analytical 1.6 %, within-subject 4.6 %, 97 %)"),
        ("R203", "rcv(analytical 1.6 %, within-subject 4.6 %, 1.96)"),
    ],
)
def test_what_is_wrong_with_a_reference_change_value(code: str, value: str) -> None:
    source = Source("a.rules", f'limits for x\n  change at most {value} within 3 days from "s"')
    findings = Findings({"a.rules": source})
    (limits,) = read({"a.rules": source}, findings).declarations
    assert reference_change(limits.rows[0].most, findings) is None  # type: ignore[union-attr]
    assert {item.code for item in findings.report()} == {code}
