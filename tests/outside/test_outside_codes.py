"""Every LOINC code and every unit of the shipped rule set against their standards.

Check digit: LOINC Users' Guide, "Calculating mod 10 check digits". Units: The Unified Code for
Units of Measure (Regenstrief Institute), by the parser of the `ucumvert` library.
"""

import re

import pytest
from lark.exceptions import UnexpectedInput
from ucumvert import PintUcumRegistry, get_ucum_parser

from verifier.rulefiles import read_files, shipped_rules

from .bench import shipped

TEXT = "\n".join(read_files(shipped_rules())[0].values())
CODES = sorted(set(re.findall(r"LOINC ([0-9]+-[0-9])\b", TEXT)))
UNITS = sorted(
    {test.unit for test in shipped().catalogue.tests.values() if test.unit}
    | set(re.findall(r"^  unit\s+(\S+)", TEXT, re.MULTILINE))
    | set(re.findall(r"\bconventional\s+(\S+)", TEXT))
)


def check_digit(number: str) -> int:
    """Return the digit after the hyphen, step by step as the guide has it."""
    backwards = number[::-1]
    doubled = str(2 * int(backwards[0::2]))  # 1: the odd places from the right, read as a number
    total = sum(int(digit) for digit in backwards[1::2] + doubled)
    return -total % 10


def test_the_check_digit_of_the_guide() -> None:
    assert check_digit("12345") == 5  # worked example of the guide


def test_a_code_with_a_slip_is_told() -> None:
    assert check_digit("49047") != 1  # a code as somebody remembered it


def test_every_code_is_looked_at() -> None:
    known = {code for test in shipped().catalogue.tests.values() for _, code in test.codes}
    assert {code for code in known if re.fullmatch(r"[0-9]+-[0-9]", code)} <= set(CODES)
    statements = re.sub(r"#.*|\".*?\"", "", TEXT)
    assert statements.count("LOINC") == len(re.findall(r"LOINC [0-9]+-[0-9]\b", statements))


@pytest.mark.parametrize("code", CODES)
def test_code(code: str) -> None:
    number, digit = code.split("-")
    assert check_digit(number) == int(digit)


@pytest.mark.parametrize("unit", UNITS)
def test_unit_is_ucum(unit: str) -> None:
    assert get_ucum_parser().parse(unit)
    if "{" not in unit:  # what is in braces has no meaning in UCUM
        assert PintUcumRegistry().from_ucum(unit).magnitude > 0


@pytest.mark.parametrize("spelled", ["mcg/dL", "mL/min/1.73m2", "mmol/ L"])
def test_the_parser_says_no_as_well(spelled: str) -> None:
    with pytest.raises(UnexpectedInput):
        get_ucum_parser().parse(spelled)
