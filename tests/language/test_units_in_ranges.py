"""A range whose unit is said once, at the end, is read in it; one said at the start is not."""

import pytest
from scenes import HEAD, case_of, program, reasons

from verifier.language import check

CREATININE = (
    HEAD
    + """
test creatinine "Creatinine"
  code LOINC 14682-9
  unit umol/L decimals 0
  molar mass 113.120 g/mol
  uncontrolled

rule low for creatinine
  from "an example"
  hold when result is outside reference
  because "{{test}} {{result}}, {{limit}}"

limits for creatinine
  from "0.50 to 1.20 mg/dL: a US reference laboratory's published table"
  reference {ends}
"""
)
# 0.50 and 1.20 mg/dL are 44.2 and 106.1 umol/L: molar mass from the IUPAC abridged atomic weights.


@pytest.mark.parametrize(
    "ends", ["0.50 to 1.20 mg/dL", "0.50 mg/dL to 1.20 mg/dL", "44.2 to 106.1"]
)
@pytest.mark.parametrize(("value", "held"), [("44", True), ("45", False), ("106", False),
                                             ("107", True)])  # fmt: skip
def test_one_unit_at_the_end_counts_for_both(ends: str, value: str, held: bool) -> None:
    said = reasons(program(CREATININE.format(ends=ends)), {"creatinine": value})
    assert ("low hold" in said["creatinine"]) is held


def test_both_spellings_are_one_rule_set() -> None:
    short, long = (
        program(CREATININE.format(ends=ends)).identity
        for ends in ("0.50 to 1.20 mg/dL", "0.50 mg/dL to 1.20 mg/dL")
    )
    assert short == long


def test_a_unit_at_the_start_alone_is_refused_with_the_remedy() -> None:
    found = check({"a.rules": CREATININE.format(ends="0.50 mg/dL to 1.20")}).diagnostics
    (wrong,) = [item for item in found if item.code == "R204"]
    assert wrong.fix == "1.20 mg/dL"
    assert "no unit" in wrong.message


def test_a_bare_range_is_in_the_unit_of_the_test() -> None:
    rules = program(CREATININE.format(ends="44.2 to 106.1"))
    assert reasons(rules, {"creatinine": "44"})["creatinine"] == {"low hold"}
    assert case_of(rules, {"creatinine": "44"}).results[0].unit == "umol/L"
