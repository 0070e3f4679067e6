"""Derived results that only apply under a condition: what rules, reports and people see of them."""

from datetime import timedelta

import pytest
from scenes import HEAD, adult, case_of, program, reasons

from verifier.decide.decide import decide
from verifier.facts.values import Unreadable
from verifier.language import check
from verifier.language.formatting import formatted

TESTS = HEAD + "".join(
    f'test {name} "{name.capitalize()}"\n  unit mmol/L decimals 1\n  uncontrolled\n'
    for name in ("cholesterol", "hdl", "triglyceride", "bicarbonate")
)
# Friedewald et al., Clin Chem 1972;18:499: not above 4.5 mmol/L (400 mg/dL) of triglyceride; the
# divisor 2.2 for mmol/L is from memory.
LDL = """
derive ldl "LDL cholesterol"
  from "Friedewald, Clin Chem 1972;18:499"
  unit mmol/L decimals 2
  only when triglyceride < 4.5 mmol/L ("triglyceride is 4.5 mmol/L or above")
  only when hdl < cholesterol ("HDL is not below total cholesterol")
  formula cholesterol - hdl - triglyceride / 2.2
  report as LOINC 39469-2

rule high-ldl
  from "an example"
  hold specimen when ldl > 4.9 mmol/L
  when unknown {unknown}
  because "LDL {{ldl}}"

rule lipids for cholesterol, hdl, triglyceride
  from "an example"
  hold when result > 50 mmol/L
  because "{{test}} {{result}}"
"""
VALUES = {"cholesterol": "5.2", "hdl": "1.3", "triglyceride": "1.7"}


def outcome(unknown: str = "hold", **values: str) -> tuple[list[str], set[str]]:
    """Return the derived results reported, and the reasons to hold cholesterol, as texts."""
    rules = program(TESTS + LDL.format(unknown=unknown))
    case = case_of(rules, {**VALUES, **values})
    judgement = rules.judge(case)
    return (
        [f"{item.test} {item.text}" for item in judgement.derived],
        {reason.text for reason in judgement.reasons.get(0, ())},
    )


def test_where_it_applies_it_is_worked_out_and_reported() -> None:
    assert outcome() == (["ldl 3.13"], set())  # 5.2 - 1.3 - 1.7 / 2.2 = 3.127 mmol/L


def test_where_it_does_not_apply_the_reason_is_told_and_nothing_is_reported() -> None:
    words = "LDL cholesterol does not apply: triglyceride is 4.5 mmol/L or above"
    assert outcome(triglyceride="4.5") == ([], {f"can not be judged: {words}"})
    assert outcome(triglyceride="4.4")[0] == ["ldl 1.90"]


def test_it_holds_nothing_by_itself() -> None:
    assert outcome("ignore", triglyceride="4.5") == ([], set())


def test_every_reason_counts() -> None:
    both = outcome(triglyceride="4.5", hdl="5.3")[1]
    assert both == {
        "can not be judged: LDL cholesterol does not apply: HDL is not below total cholesterol; "
        "LDL cholesterol does not apply: triglyceride is 4.5 mmol/L or above"
    }


def test_an_unknown_condition_is_unknown_and_a_false_one_settles_it() -> None:
    rules = program(TESTS + LDL.format(unknown="hold"))
    for hdl, said in (("1.3", "Triglyceride is not in this specimen"),
                      ("5.3", "LDL cholesterol does not apply: HDL is not below total "
                              "cholesterol")):  # fmt: skip
        case = case_of(rules, {"cholesterol": "5.2", "hdl": hdl})
        (reason,) = rules.judge(case).reasons[0]
        assert (reason.kind, reason.text) == ("unknown", f"can not be judged: {said}")
        assert rules.judge(case).derived == ()


def test_it_goes_with_a_population() -> None:
    text = TESTS + LDL.format(unknown="hold").replace("  formula", "  for adult\n  formula")
    said = reasons(program(text), VALUES, patient=adult(years=12))
    assert said["cholesterol"] == {"high-ldl unknown"}


def test_is_known_tells_it_apart() -> None:
    text = LDL.format(unknown="ignore").replace("ldl > 4.9 mmol/L", "ldl is not known")
    rules = program(TESTS + text)
    assert reasons(rules, VALUES)["cholesterol"] == set()
    assert reasons(rules, {**VALUES, "triglyceride": "5"})["cholesterol"] == {"high-ldl hold"}


def test_what_the_condition_rests_on_has_to_be_released_as_well() -> None:
    """The delta ratio is meaningless at 24 mmol/L of bicarbonate and above: it divides by nought
    or less (from memory; common practice)."""
    rules = program(TESTS + """
derive ratio "Ratio"
  from "an example"
  only when bicarbonate < 24 mmol/L ("bicarbonate is not low")
  formula potassium / calcium
  report as local "RATIO"
rule odd-bicarbonate for bicarbonate
  from "an example"
  hold when result > 20 mmol/L
  because "{test} {result}"
rule any for potassium, calcium
  from "an example"
  hold when result > 50 mmol/L
  because "{test} {result}"
""")  # fmt: skip
    case = case_of(rules, {"potassium": "4", "calcium": "2", "bicarbonate": "22"})
    (derived,) = rules.judge(case).derived
    assert derived.inputs == ("bicarbonate", "calcium", "potassium")
    (decided,) = decide(case, rules).derived
    assert decided.outcome != "release"


def test_earlier_values_can_be_asked_for() -> None:
    rules = program(TESTS + LDL.format(unknown="hold").replace(
        "hdl < cholesterol", "previous(hdl within 7 days) is not known"))  # fmt: skip
    past = {"hdl": [(timedelta(days=2), "1.2")]}
    judgement = rules.judge(case_of(rules, VALUES, earlier=past))
    assert judgement.derived == ()


@pytest.mark.parametrize(
    ("gate", "code", "message"),
    [
        ('only when ldl < 3 mmol/L ("x")', "R208", "ldl rests on itself"),
        ('only when triglyceride ("x")', "R205", "this is mmol/L, not a condition"),
        ('only when result is critical ("x")', "R210", "there is no single `result` here"),
        ('only when triglycerid < 4 mmol/L ("x")', "R201",
         "there is no test, derived result or population 'triglycerid'"),
        ("only when triglyceride < 4.5 mmol/L", "R100", "the reason stands behind it"),
        ('only when triglyceride < 4.5 ("x")', "R204", "4.5 has no unit"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_one_is_told(gate: str, code: str, message: str) -> None:
    text = LDL.format(unknown="hold").replace("  formula", f"  {gate}\n  formula")
    errors = [d for d in check({"a.rules": TESTS + text}).diagnostics if d.severity == "error"]
    assert [(d.code, d.message) for d in errors] == [(code, message)]


def test_a_condition_of_one_answer_is_noted() -> None:
    text = LDL.format(unknown="hold").replace(
        "triglyceride < 4.5 mmol/L", "triglyceride < 1 mmol/L and triglyceride > 4 mmol/L"
    )
    found = [d for d in check({"a.rules": TESTS + text}).diagnostics if d.code == "R406"]
    assert [d.message for d in found] == ["this can never hold"]


def test_it_keeps_its_layout_and_its_meaning() -> None:
    text = TESTS + LDL.format(unknown="hold")
    squeezed = text.replace('L ("tri', 'L   (  "tri').replace("only when", "only   when")
    again = formatted(squeezed)
    assert again is not None
    line = '  only when triglyceride < 4.5 mmol/L ("triglyceride is 4.5 mmol/L or above")'
    assert line in again.split("\n")
    assert program(again).identity == program(text).identity
    swapped = text.split("\n")
    first = next(n for n, said in enumerate(swapped) if "only when" in said)
    swapped[first : first + 2] = reversed(swapped[first : first + 2])
    assert program("\n".join(swapped)).identity == program(text).identity
    other = text.replace('("HDL is', '("the HDL is')
    assert program(other).identity != program(text).identity


# A specimen without a measured LDL has one worked out; where one is measured, that one counts.
BESIDE = (
    LDL.format(unknown="ignore").replace(
        "  formula", '  only when direct is not known ("LDL was measured")\n  formula'
    )
    + """
test direct "LDL, measured"
  unit mmol/L decimals 1
  uncontrolled
rule any-direct for direct
  from "an example"
  hold when result > 50 mmol/L
  because "{test} {result}"
"""
)


def test_what_was_asked_for_and_is_not_there_is_no_input() -> None:
    rules = program(TESTS + BESIDE)
    case = case_of(rules, VALUES)
    (derived,) = rules.judge(case).derived
    assert derived.inputs == ("cholesterol", "hdl", "triglyceride")
    (decided,) = decide(case, rules).derived
    assert (decided.value, decided.outcome) == ("3.13", "release")


def test_what_was_asked_for_and_is_there_closes_the_gate() -> None:
    rules = program(TESTS + BESIDE)
    assert rules.judge(case_of(rules, {**VALUES, "direct": "3.0"})).derived == ()


def test_what_is_there_without_a_value_is_an_input_that_holds() -> None:
    rules = program(TESTS + BESIDE)
    case = case_of(rules, {**VALUES, "direct": Unreadable("clot", "clot")})
    (derived,) = rules.judge(case).derived
    assert "direct" in derived.inputs
    (decided,) = decide(case, rules).derived
    assert decided.outcome == "hold"


def test_one_of_two_tests_that_say_the_same_is_enough() -> None:
    rules = program(TESTS + """
derive gap "Gap"
  from "an example"
  unit mmol/L decimals 1
  let either = if hdl is known then hdl else cholesterol
  formula bicarbonate - either
  report as local "GAP"
rule any for bicarbonate, hdl, cholesterol
  from "an example"
  hold when result > 50 mmol/L
  because "{test} {result}"
""")  # fmt: skip
    for name in ("hdl", "cholesterol"):
        case = case_of(rules, {"bicarbonate": "24", name: "1"})
        assert rules.judge(case).derived[0].inputs == ("bicarbonate", name)
        assert decide(case, rules).derived[0].outcome == "release"
