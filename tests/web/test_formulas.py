"""The formula of a derived result, with the numbers of the specimen in it."""

from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

from verifier.facts.case import Case, Result
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Between, Number, Value
from verifier.rulefiles import load_program
from verifier.web.formulas import Formula, formula_of

PROGRAM = load_program(Path(__file__).parent.parent.parent / "rules")
NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)


def formula(test: str, **values: Value) -> Formula:
    results = tuple(
        Result(at, name, name, name, value, PROGRAM.catalogue.tests[name].unit, "", "", "F", "open")
        for at, (name, value) in enumerate(values.items())
    )
    born = BirthDate(date(1960, 3, 5), date(1960, 3, 5))
    patient = Patient("P", birth=born, sex="F")
    specimen = Specimen("S", "serum", Moment(NOW, "minute", "202603020800+0000"))
    case = Case(patient, specimen, results, {}, {}, NOW, NOW)
    found = formula_of(PROGRAM, test, case)
    assert found is not None
    return found


def number(text: str) -> Number:
    return Number(Decimal(text))


def test_the_anion_gap_shows_what_it_is_worked_out_from() -> None:
    """Sodium less chloride and bicarbonate: textbook definition."""
    found = formula(
        "anion_gap", sodium=number("139"), chloride=number("102"), bicarbonate=number("25")
    )
    assert found.whole.text == "sodium - chloride - bicarbonate"
    assert found.whole.filled == "139 mmol/L - 102 mmol/L - 25 mmol/L"
    shown = {one.title: f"{one.value} {one.unit}" for one in found.inputs}
    assert shown == {"Sodium": "139 mmol/L", "Chloride": "102 mmol/L", "Bicarbonate": "25 mmol/L"}
    assert (found.decimals, bool(found.source)) == (0, True)


def test_steps_age_and_sex_are_told() -> None:
    """CKD-EPI 2021 (Inker, NEJM 2021;385:1737) reads creatinine, age and sex."""
    found = formula("egfr", creatinine=number("71"))
    assert [step.name for step in found.steps] == ["ratio", "alpha", "of_sex"]
    assert found.steps[0].filled.startswith("71 umol/L / ")
    told = [(one.title, one.value) for one in found.inputs]
    assert told == [("Creatinine", "71"), ("Age", "65"), ("Sex", "F")]  # 66 three days later
    assert found.whom == "man or woman"


def test_a_derived_input_is_its_exact_value_and_conditions_are_told() -> None:
    found = formula(
        "anion_gap_corrected",
        sodium=number("139.4"), chloride=number("102.1"), bicarbonate=number("25.0"),
        albumin=number("40"),
    )  # fmt: skip
    assert ("Anion gap", "12.3") in [(one.title, one.value) for one in found.inputs]
    assert (
        formula("delta_ratio", bicarbonate=number("20")).conditions[0].startswith("bicarbonate <")
    )


def test_what_is_missing_or_censored_stays_a_name() -> None:
    found = formula("anion_gap", sodium=number("139"), chloride=Between(None, Decimal(60)))
    assert found.whole.filled == "139 mmol/L - chloride - bicarbonate"


def test_no_formula_no_answer() -> None:
    assert formula_of(PROGRAM, "sodium", None) is None
    bare = formula_of(PROGRAM, "anion_gap", None)
    assert bare is not None
    assert (bare.whole.filled, list(bare.inputs)) == ("", [])
