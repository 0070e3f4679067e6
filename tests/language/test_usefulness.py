"""Conditions with one answer, rules that add nothing, tests nobody watches, limits that clash."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import HEAD, program, reasons

from verifier.language import Diagnostic, check

MEASURABLE = """
limits for potassium
  from "s"
  measurable 1.0 to 10.0
  change at most 1 within 3 days
limits for hemolysis
  from "s"
  measurable 0 to 50
"""


def rule(name: str, *clauses: str, scope: str = "for potassium") -> str:
    lines = ['from "s"', 'because "x"', "when unknown ignore", *clauses]
    return f"rule {name} {scope}\n" + "".join(f"  {line}\n" for line in lines)


def found(code: str, *statements: str) -> list[Diagnostic]:
    checked = check({"a.rules": HEAD + "".join(statements)})
    return [item for item in checked.diagnostics if item.code == code]


NEVER = [
    "potassium > 6 mmol/L and potassium < 5 mmol/L",
    "potassium > 6 mmol/L and potassium < 5000 umol/L",
    "potassium > 6 mmol/L and not potassium > 6000 umol/L",
    "potassium is between 6 and 5 mmol/L",
    "result > 6 mmol/L and calcium > 1 mmol/L and potassium < 5 mmol/L",
    "adult and not adult",
    "calcium is known and calcium is not known",
    "change(result within 3 days) > 1 mmol/L and change(result within 3 days) < 0 mmol/L",
    "potassium > 6200 mmol/L",
    "potassium < 6.2 umol/L",
]
ALWAYS = [
    "hemolysis >= 0 g/L or hemolysis < 5 g/L",
    "potassium > 6.2 umol/L",
    "6.2 umol/L < potassium",
    "potassium > 3 mmol/L or potassium <= 3 mmol/L",
]
SOMETIMES = [
    "potassium > 10.0 mmol/L",  # as in >10.0
    "potassium < 1.0 mmol/L",
    "hemolysis >= 0 g/L",
    "potassium > 6 mmol/L or potassium < 5 mmol/L",
    "potassium >= 6 mmol/L and potassium <= 6 mmol/L",
    "potassium > 6 mmol/L and calcium < 2 mmol/L",
    "adult or not calcium is known",
    "calcium > 6200 mmol/L",  # nothing is said about what can be measured
    "change(result within 3 days) > 1 mmol/L and change(result within 2 days) < 0 mmol/L",
]


@pytest.mark.parametrize("condition", NEVER)
def test_a_condition_that_can_never_hold(condition: str) -> None:
    told = found("R406", MEASURABLE, rule("r", f"hold when {condition}"))
    assert [item.severity for item in told] == ["warning"]
    assert told[0].message == "this can never hold for potassium"


@pytest.mark.parametrize("condition", ALWAYS)
def test_a_condition_that_always_holds(condition: str) -> None:
    told = found("R406", MEASURABLE, rule("r", f"hold when {condition}"))
    assert [item.message for item in told] == ["this always holds for potassium"]


@pytest.mark.parametrize("condition", SOMETIMES)
def test_a_condition_that_sometimes_holds_is_fine(condition: str) -> None:
    assert not found("R406", MEASURABLE, rule("r", f"hold when {condition}"))


def test_the_smallest_part_is_marked_and_measured_against() -> None:
    text = rule("r", "hold when calcium > 3 mmol/L or potassium < 6.2 umol/L")
    (told,) = found("R406", MEASURABLE, text)
    marked = text.split("\n")[4][told.column - 1 : told.end - 1]
    assert marked == "potassium < 6.2 umol/L"
    assert told.meaning == (
        "Potassium can be measured from 1.0 to 10.0 mmol/L; this asks for 0.0062 mmol/L."
    )


def test_an_exception_is_looked_at_too() -> None:
    text = rule("r", "hold when calcium > 3 mmol/L",
                'except when result > 6 mmol/L and result < 5 mmol/L ("e")')  # fmt: skip
    assert found("R406", text)


HIGH = rule("high", "hold when result > 6 mmol/L")

USELESS = [
    rule("r", "hold when result > 7 mmol/L"),
    rule("r", "hold when result > 6 mmol/L"),
    rule("r", "hold when potassium > 6500 umol/L"),
    rule("r", "hold when result > 7 mmol/L and calcium < 2 mmol/L"),
    rule("r", "hold when result > 6 mmol/L", 'except when adult ("a")'),
    rule("r", "hold when result is between 6.1 and 7 mmol/L"),
]
USEFUL = [
    rule("r", "hold when result >= 6 mmol/L"),
    rule("r", "hold when result < 3 mmol/L"),
    rule("r", "hold when result > 7 mmol/L or calcium < 2 mmol/L"),
    rule("r", "hold when result > 7 mmol/L", 'comment "very high"'),
    rule("r", "hold when result > 7 mmol/L", "ask for rerun"),
    rule("r", "hold specimen when result > 7 mmol/L"),
    rule("r", "hold when potassium > 7 mmol/L", scope="for potassium, calcium"),
    rule("r", "hold when result > 7 mmol/L").replace("unknown ignore", "unknown hold"),
]


@pytest.mark.parametrize("text", USELESS)
def test_a_rule_that_adds_nothing_is_told_once(text: str) -> None:
    (told,) = found("R407", HIGH, text)
    assert told.severity == "warning"
    assert told.message == "high holds everything this rule holds"


@pytest.mark.parametrize("text", USEFUL)
def test_a_rule_that_adds_something_is_fine(text: str) -> None:
    assert not [d for d in found("R407", HIGH, text) if d.message.startswith("high ")]


def test_a_rule_for_the_whole_specimen_covers_its_results() -> None:
    wide = rule("wide", "hold specimen when hemolysis > 5 g/L", scope="")
    narrow = rule("narrow", "hold when hemolysis > 6 g/L", scope="for every test")
    (told,) = found("R407", wide, narrow)
    assert told.message.startswith("wide ")
    assert not found("R407", wide.replace("> 5 g/L", "> 6 g/L and adult"), narrow)


def test_a_rule_with_more_exceptions_covers_less() -> None:
    exempt = HIGH + '  except when adult ("a")\n'
    assert not found("R407", exempt, rule("r", "hold when result > 7 mmol/L"))


SIGNS = st.sampled_from([">", ">=", "<", "<=", "="])
COMPARISONS = st.builds("potassium {} {} mmol/L".format, SIGNS, st.integers(2, 5))
CONDITIONS = st.builds(
    "{} {} {}".format, COMPARISONS, st.sampled_from(["and", "or"]), COMPARISONS
)  # fmt: skip


def fires(text: str) -> list[bool]:
    """Return where a rule `r` fires, on all whole and half numbers around those compared."""
    rules = program(HEAD + text)
    halves = (str(Decimal(n) / 2) for n in range(2, 13))
    return ["r hold" in reasons(rules, {"potassium": value})["potassium"] for value in halves]


@settings(max_examples=60, deadline=None)
@given(CONDITIONS)
def test_one_answer_is_told_just_when_the_rule_has_one(condition: str) -> None:
    text = rule("r", f"hold when {condition}")
    assert bool(found("R406", text)) == (len(set(fires(text))) == 1)


@settings(max_examples=60, deadline=None)
@given(CONDITIONS, CONDITIONS)
def test_a_useless_rule_is_told_just_when_another_fires_wherever_it_does(
    first: str, second: str
) -> None:
    here, there = fires(rule("r", f"hold when {first}")), fires(rule("r", f"hold when {second}"))
    if len(set(here)) == 1 or len(set(there)) == 1:
        return
    told = found("R407", rule("a", f"hold when {first}"), rule("b", f"hold when {second}"))
    a_in_b = all(b or not a for a, b in zip(here, there, strict=True))
    b_in_a = all(a or not b for a, b in zip(here, there, strict=True))
    assert bool(told) == (a_in_b or b_in_a)


WATCHED = 'limits for calcium\n  from "s"\n  measurable 1 to 5\n  {}\n'


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("reference 2.1 to 2.6", True),
        ("critical below 1.6, above 3.2", False),
        ("change at most 15 % within 3 days", False),
    ],
)
def test_a_test_nobody_watches_is_noted(row: str, told: bool) -> None:
    every = rule("every", "hold when result is outside measurable", scope="for every test")
    notes = found("R408", MEASURABLE, WATCHED.format(row), every)
    assert [item.message for item in notes] == (
        ["calcium has no critical limit and no change limit"] if told else []
    )
    assert {item.severity for item in notes} <= {"note"}


@pytest.mark.parametrize(
    ("row", "severity"),
    [
        ("reference grown 3.5 to 6.4", "error"),
        ("autorelease grown 3.0 to 6.4", "warning"),
        ("autorelease 2.0 to 6.0", "warning"),
        ("reference grown 3.5 to 6.2", None),
        ("reference young 3.5 to 6.4", None),
    ],
)
def test_critical_values_inside_the_interval_of_others(row: str, severity: str | None) -> None:
    text = (
        "population grown age >= 16 years\npopulation young age < 18 years\n"
        f'limits for potassium\n  from "s"\n  critical adult below 2.8, above 6.2\n  {row}\n'
    )
    told = found("R304", text, rule("r", "hold when result is critical"))
    assert [item.severity for item in told] == ([severity] if severity else [])
    assert all("woman, 18 years 0 days" in item.message for item in told)
