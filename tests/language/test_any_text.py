"""No text makes the checker raise: it finds something, or it compiles."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scenes import HEAD, SHIPPED, case_of
from test_manual import RIGHT

from verifier.language import check, render

WHOLE = "\n".join(p.read_text(encoding="utf-8") for p in sorted(SHIPPED.glob("*.rules")))
WORDS = sorted(
    {
        *WHOLE.split(),
        *RIGHT.split(),
        "(",
        ")",
        '"',
        "\n",
        "\n  ",
        "{",
        "}",
        ",",
        "if",
        "else",
        "then",
    }
)


def survives(text: str) -> None:
    checked = check({"a.rules": text})
    errors = [d for d in checked.diagnostics if d.severity == "error"]
    assert (checked.program is None) == bool(errors)
    lines = text.split("\n")
    for finding in checked.diagnostics:
        assert finding.line >= 1
        assert finding.column >= 1
        assert finding.end > finding.column
        render(finding, lines)
    if checked.program is not None:
        checked.program.judge(
            case_of(checked.program, dict.fromkeys(checked.program.catalogue.tests, "1"))
        )


@settings(deadline=None)
@given(st.text(max_size=300))
@example("\r\n\t population a age >= 0 day\n")
@example('test a "' + "x" * 50)
@example("\ufeffrule x")
def test_random_characters(text: str) -> None:
    survives(text)


@settings(deadline=None)
@given(st.lists(st.sampled_from(WORDS), max_size=40).map(" ".join))
def test_words_of_the_language_in_any_order(text: str) -> None:
    survives(HEAD + text)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, len(WHOLE)), st.integers(0, 30), st.sampled_from(["", *WORDS]))
def test_the_shipped_rules_with_a_piece_replaced(start: int, length: int, word: str) -> None:
    survives(WHOLE[:start] + word + WHOLE[start + length :])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(RIGHT)), st.integers(0, 30), st.sampled_from(["", *WORDS]))
def test_the_manual_with_a_piece_replaced(start: int, length: int, word: str) -> None:
    survives(RIGHT[:start] + word + RIGHT[start + length :])


@settings(deadline=None)
@given(st.dictionaries(st.text(max_size=20) | st.just("top"), st.text(max_size=40), max_size=3))
@example({"top": "6 mmol/L # a remark"})
@example({"top": '6 mmol/L\n  from "x"'})
@example({"top = 5 mmol/L\nparameter top": "7 mmol/L"})
def test_any_value_of_a_site(parameters: dict[str, str]) -> None:
    checked = check({"a.rules": HEAD + LIMIT}, parameters)
    errors = [d for d in checked.diagnostics if d.severity == "error"]
    assert (checked.program is None) == bool(errors)
    assert {d.file for d in errors} <= {"parameters of this site"}


LIMIT = """
parameter top = 6 mmol/L
  from "s"
rule high for potassium
  from "s"
  hold when result > top
  because "{test} {result} is above {top}"
"""
DEEP = [
    "(" * 5000 + "1" + ")" * 5000,
    "not " * 5000 + "result is critical",
    "- " * 5000 + "1 > 2",
    " + ".join(["potassium"] * 5000) + " > 1 mmol/L",
    " and ".join(["potassium > 1 mmol/L"] * 5000),
    "if adult then " * 500 + "1" + " else 1" * 500,
    "min(" * 2000,
    "9" * 100_000 + " > 1",
    "pow(9999999, 9999999) > 1",
    "exp(pow(10, 6000)) > 1",
    "ln(0) > 1 or 1 / 0 > 1",
]


@pytest.mark.parametrize("condition", DEEP, ids=range(len(DEEP)))
def test_depth_and_size_are_bounded(condition: str) -> None:
    survives(HEAD + f'rule r for potassium\n  hold when {condition}\n  because "x"\n')
    nested = " and ".join(["not not not potassium > 1 mmol/L"] * 15)
    survives(HEAD + f'rule r for potassium\n  hold when {nested}\n  because "x"\n')


def test_the_longest_clause_allowed_is_walked() -> None:
    for condition in ("not " * 120 + "potassium > 1 mmol/L", "-" * 120 + "potassium > 1 mmol/L",
                      " + ".join(["potassium"] * 60) + " > 1 mmol/L"):  # fmt: skip
        text = HEAD + f'rule r for potassium\n  from "s"\n  hold when {condition}\n  because "x"\n'
        checked = check({"a": text})
        assert checked.program is not None, checked.diagnostics
        checked.program.judge(case_of(checked.program, {"potassium": "4"}))
