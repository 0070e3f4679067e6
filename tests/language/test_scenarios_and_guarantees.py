"""Scenarios and guarantees: read, checked for names and units, and kept with the program."""

from datetime import timedelta
from decimal import Decimal

import pytest
from scenes import HEAD, program

from verifier.facts.values import Between, Number
from verifier.language import check
from verifier.language.scenarios import Expected

RULES = """
test sodium "Sodium"
  code LOINC 2951-2
  in serum, plasma
  unit mmol/L
derive twice "Twice"
  unit mmol/L
  formula 2 * potassium
  from "s"
group salts  potassium, sodium
rule lysed for potassium
  from "s"
  hold when hemolysis >= 0.5 g/L
  when unknown hold
  because "x"
rule high for every test except hemolysis
  from "s"
  hold when result > 6 mmol/L
  when unknown hold
  because "x"
"""
SCENARIO = """
scenario "hemolyzed and high"
  from "our procedure CHEM-014 v7"
  given woman of 40 years, potassium 5600 umol/L, hemolysis < 0.2 g/L,
        potassium 4.1 mmol/L 2 days before, sodium out of control,
        specimen plasma, attribute ward "ICU"
  expect potassium held by lysed, high not fired
  after 20 minutes  sodium 140 mmol/L, sodium in control
  expect salts released, potassium flagged "H"
  expect everything released
  after 1 hour
  expect sodium waits, lysed fired, twice suppressed, calcium held
"""


def errors(text: str) -> list[str]:
    found = check({"a.rules": HEAD + RULES + text}).diagnostics
    return sorted({item.code for item in found if item.severity == "error"})


def test_a_scenario_is_kept_in_the_units_of_the_tests() -> None:
    (scenario,) = program(HEAD + RULES + SCENARIO).scenarios
    assert (scenario.name, scenario.source) == ("hemolyzed and high", "our procedure CHEM-014 v7")
    first, second, third = scenario.steps
    assert first.results == (
        ("potassium", Number(Decimal("5.6"))), ("hemolysis", Between(None, Decimal("0.2"))),
    )  # fmt: skip
    assert first.earlier == (("potassium", Number(Decimal("4.1")), timedelta(days=2)),)
    assert (first.sex, first.age, first.specimen) == ("F", (40, "years"), "plasma")
    assert first.quality == (("sodium", "out of control"),)
    assert first.attributes == (("ward", "ICU"),)
    assert first.expected == (
        Expected("held", ("potassium",), "lysed"), Expected("not fired", rule="high"),
    )  # fmt: skip
    assert (second.after, third.after) == (timedelta(minutes=20), timedelta(hours=1))
    assert second.results == (("sodium", Number(Decimal(140))),)
    assert second.quality == (("sodium", "in control"),)
    assert second.expected == (
        Expected("released", ("potassium", "sodium")),
        Expected("flagged", ("potassium",), flag="H"),
        Expected("released"),
    )
    assert [item.what for item in third.expected] == ["waits", "fired", "suppressed", "held"]


@pytest.mark.parametrize(
    ("code", "before", "after"),
    [
        ("R201", "5600 umol/L, hemolysis", "5600 umol/L, hemolisis"),
        ("R203", "5600 umol/L", "5600 mg/L"),
        ("R204", "5600 umol/L", "5.6"),
        ("R202", "5600 umol/L", "5600 umool/L"),
        ("R205", "potassium 5600 umol/L", "twice 5600 umol/L"),
        ("R205", "potassium 5600 umol/L", "potassium 5600 days"),
        ("R203", "2 days before", "2 mmol/L before"),
        ("R203", "woman of 40 years", "woman of 40 mmol/L"),
        ("R203", "woman of 40 years", "woman of 40.5 years"),
        ("R201", "woman of", "lady of"),
        ("R105", "given woman of 40 years", "given woman of 40 years, man of 3 days"),
        ("R105", "specimen plasma", "specimen plasma, specimen serum"),
        ("R105", "specimen plasma", "specimen plasma, hemolysis 1 g/L"),
        ("R201", "specimen plasma", "specimen plasm"),
        ("R201", "held by lysed", "held by lised"),
        ("R201", "high not fired", "hihg not fired"),
        ("R201", "salts released", "slats released"),
        ("R201", "sodium out of", "sodum out of"),
        ("R209", 'flagged "H"', 'flagged "WOW"'),
        ("R209", "after 1 hour", "after 20 minutes"),
        ("R203", "after 1 hour", "after 1 mmol/L"),
        ("R100", "potassium held", "potassium is held"),
        ("R100", "  given woman", "  given a woman"),
        ("R101", "expect everything", "expct everything"),
    ],
)
def test_what_is_wrong_with_a_scenario(code: str, before: str, after: str) -> None:
    assert before in SCENARIO
    assert errors(SCENARIO.replace(before, after, 1)) == [code]


def test_a_scenario_says_what_is_given_and_what_is_expected() -> None:
    assert errors('scenario "x"\n  given woman of 40 years\n') == ["R106"]
    assert errors('scenario "x"\n  expect potassium held\n') == ["R106"]
    assert errors(SCENARIO + SCENARIO) == ["R206"]


GUARANTEES = """
guarantee "no high salt leaves alone"
  from "s"
  never release salts when result > 6 mmol/L and hemolysis is known
guarantee "nothing critical leaves alone"
  never release when result is critical
"""


def test_a_guarantee_is_kept_with_its_tests() -> None:
    high, critical = program(HEAD + RULES + GUARANTEES).guarantees
    assert (high.name, high.tests) == ("no high salt leaves alone", ("potassium", "sodium"))
    assert critical.tests == ("calcium", "hemolysis", "potassium", "sodium", "twice")


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("R201", 'guarantee "x"\n  never release potasium when result > 6 mmol/L\n'),
        ("R203", 'guarantee "x"\n  never release potassium when result > 6 mg/dL\n'),
        ("R203", 'guarantee "x"\n  never release when result > 6 mmol/L\n'),  # hemolysis is in g/L
        ("R205", 'guarantee "x"\n  never release potassium when result\n'),
        ("R106", 'guarantee "x"\n  from "s"\n'),
        ("R206", GUARANTEES),
    ],
)
def test_what_is_wrong_with_a_guarantee(code: str, text: str) -> None:
    assert errors(GUARANTEES + text) == [code]


def test_what_is_expected_is_no_part_of_what_is_decided() -> None:
    plain, more = program(HEAD + RULES), program(HEAD + RULES + SCENARIO + GUARANTEES)
    assert plain.identity == more.identity
    assert plain.scenarios == plain.guarantees == ()
