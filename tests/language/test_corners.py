"""Corners where a program could quietly let a result go; found by reading rules a second time."""

from decimal import Decimal

import pytest
from scenes import HEAD, judged, program, reasons

from verifier.facts.values import Between, Value
from verifier.language import Program

DERIVED = 'derive double "Double"\n  unit mmol/L\n  formula 2 * potassium\n  from "s"\n'


def rules(condition: str, *, scope: str = "for potassium", more: str = "") -> Program:
    text = f'rule r {scope}\n  from "s"\n  {condition}\n  when unknown hold\n  because "x"\n'
    return program(HEAD + more + text)


@pytest.mark.parametrize(
    ("condition", "touched"),
    [("hold specimen when", {"potassium", "calcium"}), ("hold calcium when", {"calcium"})],
)
def test_a_rule_for_a_derived_result_holds_measured_ones(condition: str, touched: set[str]) -> None:
    made = rules(
        f"{condition} result > 9 mmol/L",
        scope="for double",
        more=DERIVED + '  report as local "D"\n',
    )
    found = reasons(made, {"potassium": "5", "calcium": "2"})
    assert {name for name, said in found.items() if said == {"r hold"}} == touched
    _, judgement = judged(made, {"potassium": "5", "calcium": "2"})
    own = [reason.kind for reason in judgement.derived[0].reasons]
    assert own == (["hold"] if "specimen" in condition else [])


@pytest.mark.parametrize(
    "number",
    ["ln(hemolysis / 1 g/L)", "pow(hemolysis / 1 g/L, -1)", "pow(hemolysis / 1 g/L, -0.5)"],
)
@pytest.mark.parametrize("sign", [">", "<"])
def test_no_number_is_infinite(number: str, sign: str) -> None:
    made = rules(f"hold when {number} {sign} 1")
    assert reasons(made, {"potassium": "4", "hemolysis": "0"})["potassium"] == {"r unknown"}


def test_a_derived_result_too_large_to_round_is_unknown() -> None:
    more = 'derive huge "Huge"\n  decimals 2\n  formula pow(10, 40) * potassium / 1 mmol/L\n'
    made = rules("hold when huge > 1", more=more + '  from "s"\n  report as local "H"\n')
    _, judgement = judged(made, {"potassium": "4"})
    assert [reason.kind for reason in judgement.reasons[0]] == ["unknown"]
    assert judgement.derived == ()


BELOW, ABOVE = Between(None, Decimal(2)), Between(Decimal(2), None, True, False)


@pytest.mark.parametrize(
    ("sign", "left", "right", "expected"),
    [
        ("<", BELOW, ABOVE, "r hold"),
        (">", BELOW, ABOVE, ""),
        (">=", ABOVE, BELOW, "r hold"),
        ("=", BELOW, ABOVE, ""),
        ("<", ABOVE, Between(None, Decimal(2), False, True), ""),
        ("<=", Between(None, Decimal(2), False, True), ABOVE, "r hold"),
        ("<", Between(None, Decimal(2), False, True), ABOVE, "r unknown"),
        ("=", Between(None, Decimal(2), False, True), ABOVE, "r unknown"),
        ("<", Between(None, Decimal(3)), ABOVE, "r unknown"),
    ],
)
def test_two_censored_values_are_settled_where_their_ranges_do_not_meet(
    sign: str, left: Value, right: Value, expected: str
) -> None:
    made = rules(f"hold when result {sign} calcium")
    found = reasons(made, {"potassium": left, "calcium": right})["potassium"]
    assert " ".join(found) == expected


def test_a_rule_about_limits_nobody_gave_covers_nothing() -> None:
    for condition in ("result is critical", "not not result is critical"):
        made = rules(f"hold when {condition}", more=PLAIN_RULE)
        _, judgement = judged(made, {"potassium": "4", "calcium": "2"})
        assert judgement.covered == {1}


PLAIN_RULE = 'rule other for calcium\n  from "s"\n  hold when result > 9 mmol/L\n  because "y"\n'
