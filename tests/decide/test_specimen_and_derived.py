"""What holds a specimen holds what is worked out from it, though its inputs have left before."""

from verifier.assurance.running import run_scenario
from verifier.language import check

RULES = """
test sodium "Sodium"
  code LOINC 2951-2
  unit mmol/L  decimals 0

test hemolysis "Hemolysis index"
  code local "H"
  unit g/L
  interference index

derive twice "Twice"
  unit mmol/L
  formula 2 * sodium
  from "an invented procedure"
  report as local "TWICE"

rule whole for sodium
  from "an invented procedure"
  hold when result < 100 mmol/L
  because "low"

rule lysed
  from "an invented procedure"
  hold specimen when hemolysis >= 10 g/L
  when unknown ignore
  because "hemolysis {hemolysis}"

scenario "the index comes when sodium has left"
  given   woman of 40 years, sodium 140 mmol/L
  expect  sodium released, twice released
  after 10 minutes  hemolysis 12 g/L
  expect  twice held by lysed, hemolysis held by lysed

scenario "the index comes with sodium"
  given   woman of 40 years, sodium 140 mmol/L, hemolysis 12 g/L
  expect  twice held by lysed, sodium held by lysed
"""


def test_a_derived_result_is_held_with_its_specimen() -> None:
    program = check({"a.rules": RULES}).program
    assert program is not None
    for scenario in program.scenarios:
        ran = run_scenario(program, scenario)
        assert ran.passed, ran.answers
