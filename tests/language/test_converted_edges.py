"""A value sent in another unit is exact at a limit written in that unit.

A number in mg/dL has no last digit in mmol/L; whatever way a rule asks, equal must stay equal.
"""

from decimal import Decimal

import pytest
from scenes import case_of, program

from verifier.facts.units import convert
from verifier.facts.values import Number
from verifier.language.scene import shown

MOLAR = Decimal("180.156")
RULES = """
test glucose "Glucose"
  unit mmol/L decimals 1
  molar mass 180.156 g/mol

limits for glucose
  from "a test"
  critical 300 mg/dL or above

rule asked for glucose
  from "a test"
  hold when {condition}
  when unknown ignore
  because "{{result}}"
"""
AT_300 = {
    "result > 300 mg/dL": False,
    "result >= 300 mg/dL": True,
    "result = 300 mg/dL": True,
    "result - 100 mg/dL > 200 mg/dL": False,
    "result - 100 mg/dL >= 200 mg/dL": True,
    "result / 3 >= 100 mg/dL": True,
    "200 mg/dL + 100 mg/dL > result": False,
    "result is between 300 and 400 mg/dL": True,
    "result is critical": True,
}


@pytest.mark.parametrize(("condition", "expected"), AT_300.items())
def test_equal_stays_equal(condition: str, expected: bool) -> None:
    value = convert(Decimal(300), "mg/dL", "mmol/L", MOLAR)
    assert value is not None
    assert len(value.as_tuple().digits) == 28  # or the test shows nothing
    rules = program(RULES.format(condition=condition))
    judged = rules.judge(case_of(rules, {"glucose": Number(value)}))
    assert bool(judged.reasons.get(0)) is expected


def test_a_converted_number_is_shown_without_its_endless_digits() -> None:
    value = convert(Decimal(300), "mg/dL", "mmol/L", MOLAR)
    assert value is not None
    assert shown(value) == "16.6522"
    assert shown(Decimal("0.12345678901")) == "0.12345678901"
