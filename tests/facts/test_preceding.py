"""When a result was measured and on what, and what is asked of the results before it."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from fact_wires import NOW, catalogue_of, merged, obx
from msgspec.structs import replace
from test_build import ALBUMIN, GLUCOSE, built

from verifier.facts.case import Case, Preceding
from verifier.facts.preceding import Asked, analyzer_of, asked, is_measured, with_preceding
from verifier.facts.values import Between, Number, Value, Words

NINE = datetime(2026, 3, 2, 8, 45, tzinfo=UTC)  # 09:45 in Oslo, OBX-19 of the example


def of_lines(*lines: str) -> Case:
    return built(merged(lines))


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        ("20260302094500", NINE),
        ("202603020945", NINE),
        ("20260302094530+0100", NINE + timedelta(seconds=30)),
        ("2026030209", NOW),  # not to the minute: the time of arrival stands
        ("20260302", NOW),
        ("", NOW),
    ],
)
def test_when_a_result_was_measured(sent: str, expected: datetime) -> None:
    (result,) = of_lines(obx().replace("20260302094500", sent)).results
    assert result.measured == expected


def test_a_later_message_does_not_change_when_the_first_was_measured() -> None:
    line = obx().replace("20260302094500", "")
    record = merged([line])
    again = merged([obx("2345-7^Glucose^LN")], start=record)
    assert built(again).results[0].measured == built(record).results[0].measured


def test_an_analyzer_is_obx_18_or_else_the_connection() -> None:
    named, nameless = obx(analyzer="AN7"), obx("2345-7^Glucose^LN", analyzer="")
    assert [analyzer_of(r) for r in of_lines(named, nameless).results] == ["AN7", "analyzer"]


def test_only_tests_asked_of_with_one_value_are_looked_for() -> None:
    case = of_lines(obx(), obx("2345-7^Glucose^LN", "5.0"))
    assert asked(case, ()) == ()
    assert asked(case, {"potassium", "albumin"}) == (Asked("potassium", "AN1", NINE),)
    twice = of_lines(obx(run="1"), obx(run="2", value="4.4"), obx("2345-7^Glucose^LN", "5.0"))
    assert [a.test for a in asked(twice, {"potassium", "glucose"})] == ["glucose"]


def test_what_has_no_value_was_not_measured() -> None:
    (empty,) = of_lines(obx(value="")).results
    (odd,) = of_lines(obx(value="clot", kind="ST")).results
    assert not is_measured(empty)
    assert is_measured(odd)


def before(value: Value, unit: str) -> Preceding:
    return Preceding(value, unit, NINE - timedelta(minutes=1), "AN1", "S0")


def test_a_value_kept_in_another_unit_is_converted_or_left_out() -> None:
    case, catalogue = of_lines(obx()), catalogue_of([GLUCOSE, ALBUMIN])
    found = {
        "glucose": before(Number(Decimal("180.156")), "mg/dL"),
        "albumin": before(Number(Decimal(1)), "mmol/L"),  # no molar mass
        "removed": before(Number(Decimal(1)), "mmol/L"),
    }
    (name, item), *others = with_preceding(case, found, catalogue).preceding.items()
    assert (name, item.value, item.unit) == ("glucose", Number(Decimal(10)), "mmol/L")
    assert others == []
    same = {"glucose": before(Words("see text"), "mmol/L"),
            "albumin": before(Between(None, Decimal(5)), "g/L")}  # fmt: skip
    assert with_preceding(case, same, catalogue) == replace(case, preceding=same)
