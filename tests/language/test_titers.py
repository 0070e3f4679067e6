"""Titers: ordered by dilution, compared with titers only, shown as 1:n everywhere."""

from datetime import timedelta
from decimal import Decimal

import pytest
from scenes import HEAD, Program, case_of, judged, program, reasons

from verifier.facts.numbers import read_titer
from verifier.facts.values import Number, Value
from verifier.language import check
from verifier.language.differences import differences
from verifier.language.formatting import formatted

DAY = timedelta(days=1)
TEST = 'test ana "ANA"\n  code LOINC 5048-4\n  titer\n'
LIMITS = """limits for ana
  from "s"
  measurable 1:40 to 1:2560
  reference below 1:80
  critical 1:640 or above
"""
CRITICAL = """rule critical for every test
  from "s"
  hold when result is critical
  because "{test} {result} is critical: {limit}"
"""


def rule(condition: str, *more: str) -> str:
    lines = ['from "s"', f"hold when {condition}", 'because "{test} {result}"', *more]
    return "rule r for ana\n" + "".join(f"  {line}\n" for line in lines)


def titer(text: str) -> Value:
    value = read_titer(text)
    assert value is not None
    return value


def ana(text: str) -> dict[str, str | Value]:
    return {"ana": titer(text)}


def with_rule(condition: str, *more: str) -> Program:
    return program(HEAD + TEST + rule(condition, *more))


@pytest.mark.parametrize(
    ("result", "condition", "truth"),
    [
        ("1:160", "ana >= 1:160", "hold"),
        ("1:80", "ana >= 1:160", ""),
        ("1:1280", "ana >= 1:160", "hold"),
        ("1:160", "1:80 < result", "hold"),
        ("1:160", "result = 1:160", "hold"),
        ("1:160", "result is between 1:80 and 1:160", "hold"),
        ("1:320", "result is between 1:80 and 1:160", ""),
        ("<1:10", "ana >= 1:160", ""),
        (">1:1280", "ana >= 1:160", "hold"),
        (">=1:160", "ana >= 1:160", "hold"),
        (">1:80", "ana >= 1:160", "unknown"),
        ("1:160", "max(ana, 1:320) = 1:320", "hold"),
        ("1:160", "result / 1:40 >= 4", "hold"),
        ("1:160", "result >= 4 * 1:80", ""),
    ],
)
def test_order_is_by_dilution(result: str, condition: str, truth: str) -> None:
    found = reasons(with_rule(condition), ana(result))["ana"]
    assert found == ({f"r {truth}"} if truth else set())


def test_an_unknown_names_dilutions() -> None:
    _, judgement = judged(with_rule("result >= 1:160"), ana(">1:80"))
    assert ">1:80 may lie on either side of 1:160" in str(judgement.reasons)


def test_a_plain_number_that_slipped_through_is_still_no_titer() -> None:
    """A value stored before the test was declared a titer says nothing about dilutions."""
    rules = with_rule("result > previous(result within 9 days)", "when unknown hold")
    old = Number(Decimal(40))
    assert reasons(rules, ana("1:160"), earlier={"ana": [(DAY, old)]})["ana"] == {"r unknown"}
    found = reasons(rules, ana("1:160"), earlier={"ana": [(DAY, titer("1:40"))]})["ana"]
    assert found == {"r hold"}
    lowest = rule("result > lowest(result within 9 days)", "when unknown hold")
    plain = program(HEAD + 'test ana "ANA"\n  code local "A"\n' + lowest)
    found = reasons(plain, {"ana": "160"}, earlier={"ana": [(DAY, titer("1:40"))]})["ana"]
    assert found == {"r unknown"}


def test_limits_flags_and_what_is_shown() -> None:
    rules = program(HEAD + TEST + LIMITS + CRITICAL)
    flags = {}
    for text in ("1:40", "1:80", "1:640", ">1:640", ">1:320", "<1:40"):
        _, judgement = judged(rules, ana(text))
        flags[text] = judgement.flags.get(0)
        assert judgement.references[0] == "<1:80"
    assert flags == {
        "1:40": "N", "1:80": "H", "1:640": "HH", ">1:640": "HH", ">1:320": "H", "<1:40": "N",
    }  # fmt: skip
    _, judgement = judged(rules, ana("1:640"))
    (reason,) = judgement.reasons[0]
    assert reason.text == "ANA 1:640 is critical: 1:640 or above"
    shown = {(fact.name, fact.value, fact.unit) for fact in reason.facts}
    assert shown == {("ANA", "1:640", ""), ("critical limit", "1:640 or above", "")}


def test_earlier_titers_and_parameters_are_shown_as_dilutions() -> None:
    rules = program(
        HEAD + TEST + 'parameter high = 1:160\n  from "s"\n'
        + rule("result >= high and result / previous(result within 9 days) >= 4"
               " and highest(result within 9 days) < 1:80", "when unknown hold")
    )  # fmt: skip
    _, judgement = judged(rules, ana("1:160"), earlier={"ana": [(DAY, titer("1:40"))]})
    facts = {(fact.name, fact.value, fact.unit) for fact in judgement.reasons[0][0].facts}
    assert facts == {
        ("ANA", "1:160", ""), ("high", "1:160", ""), ("earlier ANA", "1:40", ""),
        ("highest earlier ANA", "1:40", ""),
    }  # fmt: skip
    assert [(p.value, p.unit) for p in rules.parameters] == [("1:160", "")]


# what is written, and the fix
MIXED = [
    (rule("ana >= 160"), "1:160"),
    (rule("160 <= result"), "1:160"),
    (rule("result >= 1.5"), "1:160"),
    (rule("result >= 1/160"), "write a titer such as 1:160"),
    (rule("result >= 160 {titer}"), "write a titer such as 1:160"),
    (rule("result >= 5 mmol/L"), "write a titer such as 1:160"),
    (rule("potassium >= 1:160", "when unknown hold"), "write a number in mmol/L"),
    (rule("potassium > ana", "when unknown hold"), "write a titer such as 1:160"),
    (
        rule("result / previous(result within 9 days) >= 1:4", "when unknown hold"),
        "write a plain number",
    ),
    ('limits for ana\n  from "s"\n  critical 640 or above\n', "1:640"),
    ('limits for ana\n  from "s"\n  critical above 5 g/L\n', "write a titer such as 1:160"),
    ('limits for potassium\n  from "s"\n  critical above 1:640\n', "write a number in mmol/L"),
    ('scenario "s"\n  given ana 160\n  expect ana held\n', "1:160"),
    ('scenario "s"\n  given potassium 1:160\n  expect ana held\n', "write a number in mmol/L"),
]


@pytest.mark.parametrize(("text", "fix"), MIXED, ids=[text for text, _ in MIXED])
def test_a_titer_beside_anything_else_is_an_error(text: str, fix: str) -> None:
    checked = check({"a": HEAD + TEST + text})
    errors = [d for d in checked.diagnostics if d.severity == "error"]
    assert [(d.code, d.fix) for d in errors] == [("R211", fix)]
    assert checked.program is None


@pytest.mark.parametrize(
    "text",
    [
        rule("result + 1:10 > 1:20"),
        rule("-result < 1:20"),
        rule("round(result, 1) > 1:20"),
        rule("ln(result) > 1"),
        *(
            rule(f"{past}(result within 9 days) is known")
            for past in ("median", "change", "percent change", "rate per day")
        ),
        'limits for ana\n  from "s"\n  change at most 50 % within 9 days\n',
        'test other "O"\n  titer\n  decimals 1\n',
        'test other "O"\n  titer\n  molar mass 10 g/mol\n',
        'test other "O"\n  titer\n  interference index\n',
    ],
)
def test_what_titers_do_not_have(text: str) -> None:
    errors = {d.code for d in check({"a": HEAD + TEST + text}).diagnostics if d.severity == "error"}
    assert errors == {"R211"}


def test_a_derived_result_is_no_titer_but_can_be_their_ratio() -> None:
    bad = 'derive d "D"\n  formula ana\n  from "s"\n'
    (error,) = [d for d in check({"a": TEST + bad}).diagnostics if d.severity == "error"]
    assert error.code == "R203"
    assert error.message == "the formula gives a titer"
    formula = "formula ana / previous(ana within 9 days)"
    good = f'derive fold "Fold"\n  decimals 1\n  {formula}\n  from "s"\n'
    rules = program(HEAD + TEST + good + rule("fold >= 4", "when unknown ignore"))
    found = reasons(rules, ana("1:160"), earlier={"ana": [(DAY, titer("1:40"))]})
    assert found["ana"] == {"r hold"}


def test_a_titer_has_one_unit_clause() -> None:
    codes = {d.code for d in check({"a": 'test ana "A"\n  titer\n  unit g/L\n'}).diagnostics}
    assert "R105" in codes


def test_layout_identity_and_difference() -> None:
    text = TEST + LIMITS + CRITICAL
    laid = formatted(text.replace("below 1:80", "below   1:80").replace("1:640 or", "1:640  or"))
    assert laid is not None
    assert "  critical    1:640 or above\n" in laid
    assert formatted(laid) == laid
    assert program(text).identity == program(laid).identity
    other = text.replace("1:640", "1:320")
    assert program(text).identity != program(other).identity
    assert differences({"a": text}, {"a": other}) == [
        "ana: critical high 1:640 becomes 1:320",
        'ana: the critical limit changed, its source did not ("s")',
    ]
    untitled = 'test ana "ANA"\n  code LOINC 5048-4\n' + CRITICAL
    titled = TEST + CRITICAL
    assert program(untitled).identity != program(titled).identity
    assert differences({"a": untitled}, {"a": titled}) == ["test ana: unit titer added"]


def test_a_case_of_titers_is_in_the_catalogue() -> None:
    rules = with_rule("result >= 1:160")
    known = rules.catalogue.tests["ana"]
    assert (known.kind, known.unit) == ("titer", "")
    assert case_of(rules, ana("1:160")).results[0].value == titer("1:160")


def test_a_site_sets_a_titer_by_a_titer() -> None:
    text = TEST + 'parameter high = 1:160\n  from "s"\n' + rule("result >= high")
    checked = check({"a": text}, {"high": "1:320"})
    assert checked.program is not None
    assert [p.value for p in checked.program.parameters] == ["1:320"]
    assert reasons(checked.program, ana("1:160"))["ana"] == set()
    for wrong in ("320", "5 mmol/L"):
        (error,) = check({"a": text}, {"high": wrong}).diagnostics
        assert error.code == "R211"
    assert check({"a": text}, {"high": "5 mmmol/L"}).program is None
    number = TEST + 'parameter high = 5 mmol/L\n  from "s"\n' + rule("result is known")
    (error,) = check({"a": number}, {"high": "1:320"}).diagnostics
    assert (error.code, error.fix) == ("R211", "write a number in mmol/L")


@pytest.mark.parametrize(
    ("line", "fix"),
    [
        ("titre", "did you mean titer?"),
        ("unit titer", "a test of dilutions has the line `titer`, no unit"),
    ],
)
def test_other_spellings_get_a_sentence(line: str, fix: str) -> None:
    (error,) = [d for d in check({"a": f'test ana "A"\n  {line}\n'}).diagnostics
                if d.severity == "error"]  # fmt: skip
    assert error.fix == fix


@pytest.mark.parametrize("written", ["1 : 160", "1:0", "1:2.5"])
def test_what_is_no_dilution_is_no_sentence(written: str) -> None:
    errors = [d for d in check({"a": HEAD + TEST + rule(f"result > {written}")}).diagnostics
              if d.severity == "error"]  # fmt: skip
    assert [d.code for d in errors] == ["R100"]
    assert "[0-9]" not in errors[0].meaning
