"""Small rule sets of known coverage, and what the tests of the room ask of them."""

from verifier.assurance.running import Ran, run_scenario
from verifier.language import Program, check

SMALL = """
population adult  age >= 18 years
population child  age < 18 years

test potassium "Potassium"
  in serum, plasma
  unit mmol/L  decimals 1

test hemolysis "Hemolysis index"
  unit g/L
  interference index

limits for potassium
  from "an invented procedure"
  critical adult  below 2.8, above 6.2
  critical child  below 2.5, 7.0 or above

rule critical for potassium
  from "an invented procedure"
  hold when result is critical
  when unknown hold
  because "{test} {result} is beyond {limit}"

rule lysed for potassium
  from "an invented procedure"
  hold when hemolysis >= 0.5 g/L and result > 4.0 mmol/L
  when unknown ignore
  because "hemolysis {hemolysis}"
  except when attribute ward is "dialysis" ("they know")

rule low for potassium
  from "an invented procedure"
  when result < 3.0 mmol/L
  because "{test} {result} is low"
  comment "low"
"""

# Scenarios of the small rules; all of them together cover everything.
WOMAN = """\
  given woman of 40 years, potassium 4.5 mmol/L, hemolysis 0.5 g/L
  expect potassium held by lysed
"""
BOY = """\
  given boy of 3 years, potassium 2.4 mmol/L, hemolysis 0.1 g/L
  expect potassium held by critical, low fired
"""


ALL = [
    WOMAN,
    BOY,
    """\
  given person of 40 years, potassium 4.5 mmol/L, hemolysis 0.5 g/L, attribute ward "dialysis"
  expect potassium released
""",
    """\
  given person of 40 years, potassium 4.0 mmol/L, hemolysis 0.5 g/L, attribute ward "ICU"
  expect potassium released
""",
    """\
  given potassium > 2.0 mmol/L
  expect potassium held by critical
""",
    """\
  given woman of 40 years, potassium 4.5 mmol/L, hemolysis 0.5 g/L, attribute ward "ICU"
  expect potassium held by lysed
""",
]


def program_of(text: str) -> Program:
    """Return a rule set that must be free of errors."""
    checked = check({"small.rules": text})
    assert checked.program is not None, checked.diagnostics
    return checked.program


def ran(scenario: str, rules: str = SMALL) -> Ran:
    """Return the one scenario of a text after it was run beside some rules."""
    program = program_of(rules + scenario)
    (item,) = program.scenarios
    return run_scenario(program, item)
