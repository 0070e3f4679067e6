"""The short notation of the morning's data."""

import pytest

from verifier.demo.notation import Expected, Reading, outcomes, readings
from verifier.errors import VerifierError

USUAL = {"sodium": Reading("sodium", "140"), "albumin": Reading("albumin", "42")}


def test_a_list_of_readings_changes_the_usual_panel() -> None:
    found = readings("usual, -albumin, potassium 6.4 flag=H, sodium 139", USUAL)
    assert found == {
        "sodium": Reading("sodium", "139"),
        "potassium": Reading("potassium", "6.4", flag="H"),
    }


def test_a_comma_inside_a_value_and_an_empty_value_are_kept() -> None:
    found = readings("glucose 5,1, urea '', sodium 1 unit=", {})
    assert found["glucose"].value == "5,1"
    assert found["urea"].value == ""
    assert found["sodium"].unit == ""
    assert found["urea"].unit is None


def test_outcomes_name_the_rules_in_any_order() -> None:
    found = outcomes("potassium: hold critical changed;\nothers: release\n")
    assert found["potassium"] == Expected("hold", frozenset({"changed", "critical"}))
    assert found["others"] == Expected("release")


def test_an_unknown_outcome_is_refused() -> None:
    with pytest.raises(VerifierError, match="'relaese'"):
        outcomes("potassium: relaese")
