"""Limits of what a living person can have. The numbers are invented; that such limits are kept
apart from critical ones is common practice, no source."""

from datetime import timedelta
from decimal import Decimal

import pytest
from scenes import HEAD, adult, case_of, program, reasons

from verifier.facts.values import Between
from verifier.language import Diagnostic, check
from verifier.language.differences import differences

LIMITS = """
population child  age < 18 years
limits for potassium
  from "an example"
  possible  adult  1.0 to 12.0
  possible  child  1.0 to 14.0
rule impossible for every test
  from "an example"
  hold when result is outside possible
  because "no living person has {test} {result}: {limit}"
"""


def found(rows: str, code: str = "R304") -> list[Diagnostic]:
    text = f'{HEAD}{LIMITS}limits for potassium\n  from "an example"\n{rows}\n'
    return [d for d in check({"a.rules": text}).diagnostics if d.code == code]


def test_what_nobody_can_have_is_held() -> None:
    rules = program(HEAD + LIMITS)
    for value, held in (("0.9", True), ("1.0", False), ("12.0", False), ("12.1", True)):
        said = reasons(rules, {"potassium": value})["potassium"]
        assert said == ({"impossible hold"} if held else set())
    assert reasons(rules, {"potassium": "12.1"}, patient=adult(years=10))["potassium"] == set()


def test_the_limit_is_named() -> None:
    case = case_of(program(HEAD + LIMITS), {"potassium": "12.1"})
    (reason,) = program(HEAD + LIMITS).judge(case).reasons[0]
    assert reason.text == "no living person has Potassium 12.1 mmol/L: 1.0 to 12.0 mmol/L"
    assert reason.facts[-1].name == "possible-value limit"


def test_a_censored_value_across_the_edge_is_unknown() -> None:
    rules = program(HEAD + LIMITS)
    said = reasons(rules, {"potassium": Between(None, Decimal(2))})["potassium"]
    assert said == {"impossible unknown"}
    said = reasons(rules, {"potassium": Between(Decimal(12), None)})["potassium"]
    assert said == {"impossible hold"}


def test_whoever_has_no_such_limit_is_unknown() -> None:
    rules = program(HEAD + LIMITS.replace("possible  child  1.0 to 14.0", ""))
    case = case_of(rules, {"potassium": "5"}, patient=adult(years=10))
    (reason,) = rules.judge(case).reasons[0]
    assert reason.text == (
        "can not be judged: there is no possible-value limit of Potassium for this patient"
    )


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("  critical adult above 12.5", "this critical limit lies outside what is possible"),
        ("  reference adult 3.5 to 13", "this reference limit lies outside what is possible"),
        ("  autorelease adult 0.5 to 6", "this autorelease limit lies outside what is possible"),
        ("  reference 3.5 to 12.5",
         "this reference limit lies outside what is possible for a woman, 18 years 0 days"),
    ],
)  # fmt: skip
def test_limits_beyond_what_is_possible_are_told(row: str, message: str) -> None:
    (finding,) = found(row)
    assert (finding.message, finding.severity) == (message, "warning")
    assert "no value of a living person gets that far" in finding.meaning
    assert finding.related


def test_limits_up_to_what_is_possible_are_fine() -> None:
    assert found("  critical adult below 2.8, 12.0 or above\n  measurable 0.5 to 20") == []


def test_gaps_and_overlaps_are_told_as_a_patient() -> None:
    (overlap,) = found("  possible 1.0 to 12.0", "R302")
    assert overlap.message.startswith("two limits fit a")
    text = HEAD + LIMITS.replace("possible  child  1.0 to 14.0", "")
    gaps = [d for d in check({"a.rules": text}).diagnostics if d.code == "R306"]
    assert [d.message for d in gaps] == ["no possible-value limit fits a girl, 17 years 364 days"]


def test_a_change_is_told_in_words() -> None:
    text = HEAD + LIMITS
    assert differences({"a": text}, {"a": text.replace("12.0", "12.5")}) == [
        "potassium, adults: possible high 12.0 mmol/L becomes 12.5 mmol/L",
        'potassium, adults: the possible limit changed, its source did not ("an example")',
    ]


def test_it_does_not_flag() -> None:
    rules = program(HEAD + LIMITS)
    assert rules.judge(case_of(rules, {"potassium": "12.1"})).flags == {}
    assert rules.longest_window == timedelta(0)
