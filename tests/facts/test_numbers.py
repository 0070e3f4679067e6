"""OBX-5 by value type: HL7 v2.5.1 sections 2.A.47 (NM), 2.A.70 (SN), 2.A.74 (ST)."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.facts.numbers import read_value, value_text
from verifier.facts.values import Absent, Between, Number, Unreadable, Words


def number(text: str) -> Number:
    return Number(Decimal(text))


# The examples of HL7 v2.5.1 section 2.A.47: |999|, |-123.792|, |01.20|.
@pytest.mark.parametrize("text", ["999", "-123.792", "01.20", "+4", "0", "5.", ".5", " 7.1 "])
def test_numeric(text: str) -> None:
    assert read_value("NM", text, False) == number(text.strip())


@pytest.mark.parametrize(
    "text",
    [
        "5,1", "1e5", "1E5", "NaN", "Infinity", "inf", "----", "1 000", "1_000", "0x10", "5.1.2",
        "--5", "5-", "five", "9" * 400, "٣", "５", "5^1", "1/2", "<5", ">5", "5.1 mmol/L", "+", ".",
    ],
)  # fmt: skip
def test_what_is_no_numeric(text: str) -> None:
    value = read_value("NM", text, False)
    assert isinstance(value, Unreadable)
    assert value.why


@pytest.mark.parametrize("kind", ["NM", "SN", "ST", "CE", "", "ZZ"])
def test_absent_values(kind: str) -> None:
    assert read_value(kind, None, False) == Absent("empty")
    assert read_value(kind, "", False) == Absent("empty")
    assert read_value(kind, "  ", False) == Absent("empty")
    assert read_value(kind, '""', True) == Absent("null")


# The examples of HL7 v2.5.1 section 2.A.70: >^100, ^100^-^200, ^1^:^128.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        (">100", Between(Decimal(100), None, False, False)),
        ("100-200", Between(Decimal(100), Decimal(200), True, True)),
        ("1:128", Words("1:128")),
        ("1/128", Words("1/128")),
        ("2+", Words("2+")),
        ("<=0.2", Between(None, Decimal("0.2"), False, True)),
        (">=0.2", Between(Decimal("0.2"), None, True, False)),
        ("=7.40", Number(Decimal("7.40"))),
        ("7", Number(Decimal(7))),
        ("-2--1", Between(Decimal(-2), Decimal(-1), True, True)),
    ],
)
def test_structured_numeric(text: str, value: object) -> None:
    assert read_value("SN", text, False) == value


@pytest.mark.parametrize("text", ["200-100", "<>5"])
def test_structured_numeric_that_says_nothing(text: str) -> None:
    assert isinstance(read_value("SN", text, False), Unreadable)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("5.10", Number(Decimal("5.10"))),
        ("<5", Between(None, Decimal(5), False, False)),
        ("> 10.0", Between(Decimal("10.0"), None, False, False)),
        ("5,1", Words("5,1")),
        ("3.26E+05", Words("3.26E+05")),
        ("LESS THAN 10", Words("LESS THAN 10")),
        ("2-4", Words("2-4")),  # in free text this may as well be a date or a grade
        ("negative", Words("negative")),
    ],
)
def test_string(text: str, value: object) -> None:
    assert read_value("ST", text, False) == value


def test_comparator_in_numeric_is_a_declaration_of_the_site() -> None:
    assert isinstance(read_value("NM", "<5", False), Unreadable)
    read = read_value("NM", "<5", False, comparator_in_numeric=True)
    assert read == Between(None, Decimal(5), False, False)
    assert isinstance(read_value("NM", "5,1", False, comparator_in_numeric=True), Unreadable)


def test_coded_and_other_types() -> None:
    assert read_value("CE", "POS^Positive", False) == Words("Positive", "POS")
    assert read_value("CWE", "POS", False) == Words("POS", "POS")
    assert read_value("CE", "^Positive", False) == Words("Positive", "")
    assert read_value("TX", "5.1", False) == Words("5.1")
    assert isinstance(read_value("", "5.1", False), Unreadable)
    assert isinstance(read_value("ED", "5.1", False), Unreadable)


@given(st.decimals(allow_nan=False, allow_infinity=False, places=5, min_value=-99999))
def test_a_number_keeps_its_digits(value: Decimal) -> None:
    text = format(value, "f")
    read = read_value("NM", text, False)
    assert read == Number(value)
    assert value_text(read) == text


@given(
    st.text(max_size=30), st.sampled_from(["NM", "SN", "ST", "CE", "TX", "XX", ""]), st.booleans()
)
def test_any_text_is_read_without_raising(text: str, kind: str, comparator: bool) -> None:
    value = read_value(kind, text, False, comparator_in_numeric=comparator)
    assert isinstance(value_text(value), str)
    if isinstance(value, Number):
        assert value.value == Decimal(text.strip().removeprefix("=").strip())


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        ("5.25", 1, "5.3"),
        ("-5.25", 1, "-5.3"),
        ("9.999", 1, "10.0"),
        ("140", 1, "140.0"),
        ("1234.5", 0, "1235"),
        ("0.000000001", None, "0.000000001"),
    ],
)
def test_rounding_for_display(value: str, decimals: int | None, text: str) -> None:
    assert value_text(Number(Decimal(value)), decimals) == text
