"""A difference of any kind is found and said: the check can fail."""

from datetime import UTC, datetime

from msgspec.structs import replace

from verifier.demo.compare import (
    decided,
    delivery_differences,
    outcome_differences,
    value_differences,
)
from verifier.demo.notation import Expected
from verifier.demo.receiver import Line, Received
from verifier.facts.verdicts import Decision, Reason, ResultDecision

HELD = ResultDecision(
    0, "potassium", "Potassium", "2823-3", "6.4", "mmol/L", "hold",
    reasons=(Reason("critical", "hold", "too high"),),
)  # fmt: skip
UNKNOWN = ResultDecision(1, "", "Zinc", "ZN", "12", "umol/L", "hold")
GAP = ResultDecision(-1, "anion_gap", "Anion gap", "33037-3", "12", "mmol/L", "release")
DECISION = Decision("x", datetime(2026, 1, 2, tzinfo=UTC), (HELD, UNKNOWN), (GAP,))
EXPECTED = {
    "potassium": Expected("hold", frozenset({"critical"})),
    "ZN": Expected("hold"),
    "anion_gap": Expected("release"),
}


SPEAKERS = {"Slightly hemolyzed.": "slightly-hemolysed"}


def test_what_is_as_expected_is_no_difference() -> None:
    assert outcome_differences(EXPECTED, decided(DECISION), SPEAKERS) == []
    assert value_differences({"anion_gap": "12"}, decided(DECISION)) == []


def test_another_outcome_another_rule_one_too_many_and_one_missing_are_differences() -> None:
    actual = decided(DECISION)
    for changed in (
        EXPECTED | {"potassium": Expected("release")},
        EXPECTED | {"potassium": Expected("hold", frozenset({"changed"}))},
        EXPECTED | {"potassium": Expected("hold", frozenset({"critical", "changed"}))},
        EXPECTED | {"sodium": Expected("release")},
        {name: item for name, item in EXPECTED.items() if name != "ZN"},
    ):
        assert len(outcome_differences(changed, actual, SPEAKERS)) == 1


def test_a_comment_counts_as_the_rule_that_makes_it() -> None:
    commented = replace(GAP, comments=("Slightly hemolyzed.", "typed by a person"))
    decision = replace(DECISION, derived=(commented,))
    assert len(outcome_differences(EXPECTED, decided(decision), SPEAKERS)) == 1
    expected = EXPECTED | {"anion_gap": Expected("release", frozenset({"slightly-hemolysed"}))}
    assert outcome_differences(expected, decided(decision), SPEAKERS) == []


def test_without_a_decision_everything_is_missing() -> None:
    assert len(outcome_differences(EXPECTED, decided(None), SPEAKERS)) == 3


def test_another_value_is_a_difference() -> None:
    assert value_differences({"anion_gap": "13"}, decided(DECISION)) == [
        "anion_gap: expected the value 13, found 12"
    ]


def test_deliveries_are_counted_each_as_often_as_it_came() -> None:
    line = Line("2823-3", "Potassium", "4.2", "mmol/L", "F")
    once = [Received("V1", "FM-1", (line,), (), "AA")]
    wanted = {"FM-1": [("2823-3", "4.2", "F")]}
    assert delivery_differences(wanted, once) == []
    assert len(delivery_differences(wanted, [])) == 1
    assert len(delivery_differences(wanted, once * 2)) == 1
    assert len(delivery_differences({"FM-1": [("2823-3", "4.2", "C")]}, once)) == 2
    assert len(delivery_differences({}, once)) == 1
