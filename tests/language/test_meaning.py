"""What the words of the language mean, one small rule set per question."""

import dataclasses
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Context, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs
from scenes import HEAD, NOW, adult, case_of, judged, program, reasons

from verifier.facts.subjects import BirthDate, Patient
from verifier.facts.values import Between, Value
from verifier.language import Program
from verifier.language.scene import power

DAYS, HOURS = timedelta(days=1), timedelta(hours=1)


def rules(*clauses: str, scope: str = "for potassium", more: str = "") -> Program:
    lines = ['from "s"', *clauses]
    if not any(line.startswith("because") for line in clauses):
        lines.append('because "x"')
    return program(HEAD + more + f"rule r {scope}\n" + "".join(f"  {line}\n" for line in lines))


def kind(made: Program, values: Mapping[str, str | Value], **more: object) -> str:
    """Return what rule r says of the first result: hold, unknown, wait, or nothing."""
    found = reasons(made, values, **more)[next(iter(values))]
    return " ".join(sorted(text.removeprefix("r ") for text in found))


# --- numbers ---


@pytest.mark.parametrize(
    ("condition", "holds"),
    [
        ("result - 4.1 mmol/L = 1.0 mmol/L", True),  # 5.1 - 4.1: 0.9999999999999996 in binary
        ("result > 5.1 mmol/L", False),
        ("result >= 5.1 mmol/L", True),
        ("result > 5100 umol/L", False),
        ("result >= 5100 umol/L", True),
        ("result >= 5.1 mol/m3", True),
        ("5 mmol/L < result", True),
        ("result is between 3.5 and 5.1 mmol/L", True),
        ("result is between 3.5 mmol/L and 5.09 mmol/L", False),
        ("not result > 5 mmol/L", False),
        ("result > 6 mmol/L or result < 5.2 mmol/L and result > 5 mmol/L", True),
        ("(result > 6 mmol/L or result < 5.2 mmol/L) and result > 5.15 mmol/L", False),
        ("2 * result = 10.2 mmol/L", True),
        ("result / 2 = 2.55 mmol/L", True),
        ("result / (1 mmol/L) = 5.1", True),
        ("result / (1 umol/L) = 5100", True),
        ("-result < -5 mmol/L", True),
        ("round(result, 0) = 5 mmol/L", True),
        ("round(result + 0.4 mmol/L, 0) = 6 mmol/L", True),  # 5.5: halves away from zero
        ("round(result - 0.6 mmol/L, 0) = 5 mmol/L", True),  # 4.5, to even would be 4
        ("min(result, 5 mmol/L) = 5 mmol/L", True),
        ("max(4 mmol/L, result, 5000 umol/L) = 5.1 mmol/L", True),
        ("abs(result - 6 mmol/L) = 0.9 mmol/L", True),
        ("sqrt(result / (1 mmol/L) + 3.9) = 3", True),
        ("pow(result / (5.1 mmol/L), 3) = 1", True),
        ("round(ln(exp(result / (1 mmol/L))), 10) = 5.1", True),
        ("result > (if adult then 5 mmol/L else 6 mmol/L)", True),
    ],
)
def test_arithmetic_is_exact_and_units_are_converted(condition: str, holds: bool) -> None:
    made = rules(f"hold when {condition}")
    assert kind(made, {"potassium": "5.1"}) == ("hold" if holds else "")


@given(st.decimals("0.001", "1000", places=3), st.decimals("-50", "50", places=3))
def test_a_power_is_right_to_its_twentieth_digit(base: Decimal, exponent: Decimal) -> None:
    exact = Context(prec=40).power(base, exponent)
    assert abs(power(base, exponent) - exact) <= abs(exact) * Decimal("1e-19")


def test_mass_and_amount_meet_through_the_molar_mass() -> None:
    # calcium 40.078 g/mol (IUPAC abridged): 8 mg/dL is 1.99611... mmol/L
    made = rules("hold when result < 8 mg/dL", scope="for calcium")
    assert kind(made, {"calcium": "1.9961"}) == "hold"
    assert kind(made, {"calcium": "1.9962"}) == ""


def test_what_can_not_be_computed_is_unknown_and_held() -> None:
    for condition in ("1 mmol/L / (result - result) > 1", "ln(result / (1 mmol/L) - 9) > 1"):
        assert kind(rules(f"hold when {condition}"), {"potassium": "5"}) == "unknown"


def test_a_censored_value_in_arithmetic_is_unknown() -> None:
    made = rules("hold when result + 1 mmol/L > 3 mmol/L")
    assert kind(made, {"potassium": Between(Decimal(10), None)}) == "unknown"


# --- unknown ---

MATRIX = [
    ("hold when potassium > 5 mmol/L and calcium < 2 mmol/L", "4", ""),  # false and unknown
    ("hold when potassium > 5 mmol/L and calcium < 2 mmol/L", "6", "unknown"),
    ("hold when potassium > 5 mmol/L or calcium < 2 mmol/L", "6", "hold"),  # true or unknown
    ("hold when potassium > 5 mmol/L or calcium < 2 mmol/L", "4", "unknown"),
    ("hold when not calcium < 2 mmol/L", "4", "unknown"),
    ("hold when calcium is known and calcium < 2 mmol/L", "6", ""),
    ("hold when calcium is not known", "6", "hold"),
]


@pytest.mark.parametrize(("clause", "potassium", "expected"), MATRIX)
def test_a_missing_fact_is_neither_true_nor_false(
    clause: str, potassium: str, expected: str
) -> None:
    assert kind(rules(clause, "when unknown hold"), {"potassium": potassium}) == expected
    ignored = "" if expected == "unknown" else expected
    assert kind(rules(clause, "when unknown ignore"), {"potassium": potassium}) == ignored


def test_unknown_says_what_is_missing() -> None:
    made = rules("hold when calcium < 2 mmol/L", "when unknown hold")
    _, judgement = judged(made, {"potassium": "4"})
    assert judgement.reasons[0][0].text == "can not be judged: Calcium is not in this specimen"


def test_two_values_of_one_test_are_no_fact_for_others() -> None:
    made = rules("hold when calcium < 2 mmol/L", "when unknown hold")
    case = case_of(made, {"potassium": "4", "calcium": "2.2"})
    twice = structs.replace(case, results=(*case.results, case.results[1]))
    assert [r.kind for r in made.judge(twice).reasons[0]] == ["unknown"]


# --- exceptions, scopes, effects ---


def test_an_exception_narrows_when_it_is_certain() -> None:
    made = rules("hold when result > 5 mmol/L", 'except when attribute class is "dialysis" ("d")')
    assert kind(made, {"potassium": "6"}, patient=adult(**{"class": "dialysis"})) == ""
    assert kind(made, {"potassium": "6"}, patient=adult(**{"class": "ward"})) == "hold"
    assert kind(made, {"potassium": "6"}, patient=adult()) == "hold"  # not stated: doubt holds


def test_an_uncertain_exception_does_not_free_even_with_ignore() -> None:
    made = rules(
        "hold when result > 5 mmol/L",
        "when unknown ignore",
        'except when calcium > 3 mmol/L ("c")',
    )
    assert kind(made, {"potassium": "6"}) == "hold"


def test_scopes() -> None:
    values = {"potassium": "6", "calcium": "2", "hemolysis": "0"}
    clause = "when potassium > 5 mmol/L"
    one = reasons(rules(f"hold {clause}"), values)
    named = reasons(rules(f"hold calcium {clause}", "when unknown hold", scope=""), values)
    whole = reasons(rules(f"hold specimen {clause}", "when unknown hold", scope=""), values)
    nothing = reasons(rules(clause), values)
    assert {t for t, found in one.items() if found} == {"potassium"}
    assert {t for t, found in named.items() if found} == {"calcium"}
    assert {t for t, found in whole.items() if found} == set(values)
    assert not any(nothing.values())


def test_effects_are_collected_and_filled_in() -> None:
    made = rules(
        "when result > 5 mmol/L",
        'flag "A"',
        'comment "{test} {result}, hemolysis {hemolysis}"',
        "ask for rerun",
        "call ward within 30 minutes",
    )
    _, judgement = judged(made, {"potassium": "5.6", "hemolysis": "0.2"})
    assert judgement.flags == {0: "A"}
    assert judgement.comments == {0: ("Potassium 5.6 mmol/L, hemolysis 0.2 g/L",)}
    asked = [(r.what, r.tests, r.detail) for r in judgement.requests]
    assert asked == [
        ("call", ("potassium",), "ward within 30 minutes"),
        ("rerun", ("potassium",), ""),
    ]


def test_every_test_can_leave_some_out() -> None:
    more = 'limits for potassium, calcium\n  from "s"\n  critical above 3\n'
    made = rules("hold when result is critical", scope="for every test except calcium", more=more)
    assert kind(made, {"potassium": "4"}) == "hold"
    assert kind(made, {"calcium": "4"}) == ""


# --- patients ---


@pytest.mark.parametrize(
    ("born", "taken", "reached"),
    [
        (date(2008, 3, 1), datetime(2026, 2, 28, 23, tzinfo=UTC), False),
        (date(2008, 3, 1), datetime(2026, 3, 1, 0, tzinfo=UTC), True),
        (date(2008, 2, 29), datetime(2026, 2, 28, 12, tzinfo=UTC), False),
        (date(2008, 2, 29), datetime(2026, 3, 1, 12, tzinfo=UTC), True),
    ],
)
def test_a_birthday_is_exact(born: date, taken: datetime, reached: bool) -> None:
    made = rules("hold when adult", "when unknown hold")
    patient = Patient("p", birth=BirthDate(born, born))
    found = kind(made, {"potassium": "4"}, patient=patient, collected=taken)
    assert found == ("hold" if reached else "")


@pytest.mark.parametrize(
    ("age", "unit", "days", "reached"),
    [("28", "days", 28, True), ("28", "days", 27, False), ("4", "weeks", 28, True),
     ("1", "month", 28, True), ("1", "month", 27, False)],  # from 1 February 2026: 28 days
)  # fmt: skip
def test_ages_in_days_weeks_and_months(age: str, unit: str, days: int, reached: bool) -> None:
    made = rules(f"hold when age >= {age} {unit}", "when unknown hold")
    born = date(2026, 2, 1)
    patient = Patient("p", birth=BirthDate(born, born))
    taken = datetime(2026, 2, 1, 12, tzinfo=UTC) + timedelta(days=days)
    found = kind(made, {"potassium": "4"}, patient=patient, collected=taken)
    assert found == ("hold" if reached else "")


def test_a_birth_year_alone_settles_what_both_ends_agree_on() -> None:
    made = rules("hold when adult", "when unknown hold")

    def born(year: int) -> Patient:
        return Patient("p", birth=BirthDate(date(year, 1, 1), date(year, 12, 31)))

    found = [kind(made, {"potassium": "4"}, patient=born(y)) for y in (2007, 2008, 2009)]
    assert found == ["hold", "unknown", ""]


def test_sex_specimen_and_attributes() -> None:
    values = {"potassium": "4"}
    woman = rules("hold when sex is female", "when unknown hold")
    assert [kind(woman, values, patient=adult(s)) for s in ("F", "M", "O", "U", "")] == [
        "hold", "", "", "unknown", "unknown",
    ]  # fmt: skip
    plasma = rules("hold when specimen is plasma", "when unknown hold")
    found = [kind(plasma, values, specimen_type=t) for t in ("plasma", "serum", "")]
    assert found == ["hold", "", "unknown"]


# --- earlier results ---


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("previous(result within 7 days) = 4 mmol/L", "hold"),
        ("lowest(result within 7 days) = 3 mmol/L", "hold"),
        ("highest(result within 7 days) = 6 mmol/L", "hold"),
        ("lowest(result within 30 days) = 2 mmol/L", "hold"),
        ("change(result within 7 days) = 1 mmol/L", "hold"),
        ("percent change(result within 7 days) = 25 %", "hold"),
        ("previous(result within 23 hours) = 4 mmol/L", "unknown"),
        ("previous(result within 24 hours) = 4 mmol/L", "hold"),  # the far end counts
        ("previous(calcium within 7 days) = 4 mmol/L", "unknown"),
    ],
)
def test_earlier_results(expression: str, expected: str) -> None:
    past = [(1 * DAYS, "4"), (2 * DAYS, "3"), (3 * DAYS, "6"), (8 * DAYS, "2")]
    made = rules(f"hold when {expression}", "when unknown hold")
    assert kind(made, {"potassium": "5"}, earlier={"potassium": past}) == expected


def test_an_earlier_result_is_taken_before_not_after() -> None:
    made = rules("hold when previous(result within 7 days) is known")
    later = {"potassium": [(-1 * HOURS, "4")]}
    assert kind(made, {"potassium": "5"}, earlier=later) == ""


def test_without_a_collection_time_the_past_is_unknown() -> None:
    made = rules("hold when change(result within 7 days) > 1 mmol/L", "when unknown hold")
    past = {"potassium": [(1 * DAYS, "4")]}
    assert kind(made, {"potassium": "5"}, earlier=past, collected=None) == "unknown"


def test_the_longest_window_is_told() -> None:
    more = 'limits for calcium\n  from "s"\n  change at most 1 within 40 days\n'
    made = rules(
        "hold when lowest(result within 2 weeks) < 3 mmol/L", "when unknown hold", more=more
    )
    assert made.longest_window == timedelta(days=40)


# --- limits ---


@pytest.mark.parametrize(
    ("row", "critical"),
    [
        ("below 2.8", ["2.79"]),
        ("2.8 or below", ["2.79", "2.8", "2.80"]),
        ("above 6.2", ["6.21"]),
        ("6.2 or above", ["6.2", "6.21"]),
        ("below 2.8, above 6.2", ["2.79", "6.21"]),
        ("3 to 6", ["3.0", "4", "6.0"]),
        ("below 2800 umol/L", ["2.79"]),
        ("below -1, 2.79 to 2.795", ["2.79"]),
    ],
)
def test_the_edge_is_what_the_row_says(row: str, critical: list[str]) -> None:
    more = f'limits for potassium\n  from "s"\n  critical {row}\n'
    made = rules("hold when result is critical", more=more)
    tried = ("2.79", "2.8", "2.80", "3.0", "4", "6.0", "6.2", "6.21")
    assert [text for text in tried if kind(made, {"potassium": text})] == critical


def test_no_row_for_this_patient_is_unknown_and_no_row_at_all_is_false() -> None:
    more = 'limits for potassium\n  from "s"\n  critical adult above 6\n'
    made = rules("hold when result is critical or result is outside reference", more=more)
    assert kind(made, {"potassium": "5"}, patient=adult(years=10)) == "unknown"
    assert kind(made, {"potassium": "5"}) == ""


def test_an_uncertain_patient_is_settled_where_every_row_agrees() -> None:
    more = (
        "population child age < 18 years\n"
        'limits for potassium\n  from "s"\n  critical adult above 6\n  critical child above 7\n'
    )
    made = rules("hold when result is critical", more=more)
    unborn = Patient("p", sex="F")
    found = [kind(made, {"potassium": v}, patient=unborn) for v in ("5", "6.5", "8")]
    assert found == ["unknown", "unknown", "unknown"]  # which row fits is itself not known


def test_a_derived_result_is_rounded_for_rules_and_exact_for_formulas() -> None:
    more = (
        'derive half "Half"\n  unit mmol/L  decimals 0\n  formula potassium / 2\n  from "s"\n'
        'derive whole "Whole"\n  unit mmol/L\n  formula half * 2\n  from "s"\n'
    )
    made = rules(
        "hold when half = 3 mmol/L and whole = 5.1 mmol/L", "when unknown hold", more=more
    )  # fmt: skip
    assert kind(made, {"potassium": "5.1"}) == "hold"


def test_a_failing_rule_holds_and_the_others_still_speak() -> None:
    made = rules("hold when result > 5 mmol/L")
    good = made._by_test["potassium"][0]

    def fails(scene: object) -> bool:
        raise ZeroDivisionError

    bad = dataclasses.replace(good, name="bad", condition=fails)
    made._by_test["potassium"] = (bad, good)
    found = made.judge(case_of(made, {"potassium": "6"})).reasons[0]
    assert [(r.rule, r.kind) for r in found] == [("bad", "safeguard"), ("r", "hold")]


def test_waiting_ends() -> None:
    made = rules(
        "wait up to 1 hour for calcium", "hold when calcium < 2 mmol/L", "when unknown hold"
    )  # fmt: skip
    values = {"potassium": "4"}
    found = [kind(made, values, opened=NOW - m * timedelta(minutes=1)) for m in (0, 59, 60)]
    assert found == ["wait", "wait", "unknown"]
    assert kind(made, {**values, "calcium": "1.9"}) == "hold"
    assert kind(made, {**values, "calcium": "2.1"}) == ""
