"""Dilutions are read exactly; what is no dilution is unreadable and held.

SN ``^1^:^160`` is HL7 v2.5.1 section 2.A.70; the example there is ``^1^:^128``.
"""

from decimal import Decimal

import msgspec
import pytest
from fact_wires import ANALYZER, NOW, catalogue_of, merged, obx
from hypothesis import given
from hypothesis import strategies as st

from verifier.facts.build import build_case
from verifier.facts.case import Earlier, Result
from verifier.facts.catalogue import ConnectionMap, TestDefinition
from verifier.facts.mapping import in_unit_of
from verifier.facts.numbers import read_titer, value_text
from verifier.facts.values import Absent, Number, Titer, TiterBetween, Unreadable, Value

ANA = TestDefinition("ana", "ANA", (("LN", "5048-4"),), kind="titer")
RATIO = TestDefinition("share", "Share", (), (), "%")


def read(
    value: str,
    kind: str = "ST",
    unit: str = "",
    connection: ConnectionMap = ANALYZER,
    earlier: tuple[Earlier, ...] = (),
) -> Result:
    line = obx("5048-4^ANA^LN", value, unit, kind=kind)
    (result,) = build_case(
        merged([line]), catalogue=catalogue_of([ANA]), maps={connection.name: connection},
        earlier={"ana": earlier}, quality={"ana": "in control"}, suspensions=(), now=NOW,
    ).results  # fmt: skip
    return result


def below(bound: int, included: bool = False) -> TiterBetween:
    return TiterBetween(None, Decimal(bound), high_included=included)


def above(bound: int, included: bool = False) -> TiterBetween:
    return TiterBetween(Decimal(bound), None, low_included=included)


@pytest.mark.parametrize(
    ("kind", "sent", "value", "shown"),
    [
        ("SN", "^1^:^128", Titer(Decimal(128)), "1:128"),
        ("SN", "=^1^:^160", Titer(Decimal(160)), "1:160"),
        ("SN", "<^1^:^10", below(10), "<1:10"),
        ("SN", ">^1^:^1280", above(1280), ">1:1280"),
        ("SN", ">=^1^:^1280", above(1280, True), ">=1:1280"),
        ("ST", "1:160", Titer(Decimal(160)), "1:160"),
        ("ST", "<1:10", below(10), "<1:10"),
        ("ST", "<= 1:10", below(10, True), "<=1:10"),
        ("TX", "1:1", Titer(Decimal(1)), "1:1"),
        ("TX", ">1:1280", above(1280), ">1:1280"),
    ],
)
def test_a_dilution(kind: str, sent: str, value: Value, shown: str) -> None:
    result = read(sent, kind)
    assert (result.value, result.unit, result.faults) == (value, "", ())
    assert value_text(result.value) == value_text(result.value, 2) == shown


@pytest.mark.parametrize(
    ("kind", "sent"),
    [
        ("NM", "160"), ("NM", "1:160"), ("ST", "160"), ("ST", "<10"), ("ST", "1/160"),
        ("ST", "1:0"), ("ST", "1:016"), ("ST", "1:2.5"), ("ST", "1:-160"), ("ST", "2:160"),
        ("ST", "1 : 160"), ("ST", "1:160 speckled"), ("ST", "1:160-1:320"), ("ST", "1:80+"),
        ("ST", "positive"), ("ST", "<>1:160"), ("ST", "1:١٦٠"), ("SN", "^160"), ("SN", "^1^/^160"),
        ("SN", "^1^:"), ("SN", "^1^-^160"), ("SN", "<>^1^:^160"), ("CWE", "1:160^1:160^L"),
        ("CE", "1:160"), ("TX", "1:160~1:320"), ("ST", "1:99999999999"),
    ],
)  # fmt: skip
def test_anything_else_is_unreadable_and_held(kind: str, sent: str) -> None:
    result = read(sent, kind)
    assert isinstance(result.value, Unreadable)
    assert result.fault_names == ("unreadable-value",)


def test_nothing_sent_is_nothing() -> None:
    assert read("").value == Absent("empty")
    assert read('""').value == Absent("null")


@pytest.mark.parametrize("unit", ["", "{titer}", "{titre}", "Titer"])
def test_a_titer_has_no_unit(unit: str) -> None:
    assert read("1:160", unit=unit).faults == ()


def test_another_unit_holds() -> None:
    for unit in ("mmol/L", "%", "U/mL", "dils"):
        result = read("1:160", unit=unit)
        assert isinstance(result.value, Unreadable)
        assert result.fault_names == ("unit",)
    mapped = ConnectionMap("analyzer", zone="Europe/Oslo", units={"dils": "{titer}"})
    assert read("1:160", unit="dils", connection=mapped).faults == ()


def test_a_titer_is_never_converted() -> None:
    for titer in (Titer(Decimal(160)), below(10)):
        assert in_unit_of(RATIO, titer, "") is None


@given(st.integers(1, 9_999_999_999), st.sampled_from(["", "<", ">", "<=", ">="]))
def test_a_titer_is_shown_as_it_was_written(bound: int, sign: str) -> None:
    text = f"{sign}1:{bound}"
    value = read_titer(text)
    assert value is not None
    assert value_text(value) == text


@pytest.mark.parametrize("value", [Titer(Decimal(160)), below(10), Number(Decimal(160))])
def test_a_titer_survives_storage_as_a_titer(value: Value) -> None:
    again = msgspec.json.decode(msgspec.json.encode(value), type=Value)
    assert again == value
    assert type(again) is type(value)
