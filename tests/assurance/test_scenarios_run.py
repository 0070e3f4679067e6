"""Scenarios are run through the real decision; what does not come true is said, with the reason."""

import json
from pathlib import Path

import pytest
from small_rules import SMALL, ran

from verifier.cli import main
from verifier.errors import RuleSetError
from verifier.language import check
from verifier.rulefiles import load_folder, load_program

WOMAN = "given woman of 40 years, hemolysis 0.1 g/L"


def scenario(*lines: str) -> str:
    return '\nscenario "s"\n' + "".join(f"  {line}\n" for line in lines)


@pytest.mark.parametrize(
    ("values", "expected", "happened", "instead"),
    [
        ("potassium 4.0 mmol/L", "potassium held", "potassium is released", "potassium released"),
        ("potassium 6.3 mmol/L", "potassium released",
         "potassium is held by critical", "potassium held by critical"),
        ("potassium 6.3 mmol/L", "potassium held by lysed",
         "potassium is held by critical", "potassium held by critical"),
        ("potassium 6.3 mmol/L", "critical not fired", "critical fires", "critical fired"),
        ("potassium 4.0 mmol/L", "low fired", "low says nothing", "low not fired"),
        ("potassium 2.9 mmol/L", "low not fired", "low fires", "low fired"),
        ("potassium 6.3 mmol/L", 'potassium flagged "H"',
         'potassium is flagged "HH"', 'potassium flagged "HH"'),
        ("potassium 4.0 mmol/L", 'potassium flagged "H"',
         "potassium is not flagged", "potassium released"),
        ("potassium 4.0 mmol/L", "potassium waits", "potassium is released", "potassium released"),
        ("potassium 4.0 mmol/L", "potassium suppressed",
         "potassium is released", "potassium released"),
        ("potassium 4.0 mmol/L, potassium out of control", "everything released",
         "potassium is held by built-in:quality-control", "potassium held"),
    ],
)  # fmt: skip
def test_what_happened_is_said_and_what_would_have_come_true(
    values: str, expected: str, happened: str, instead: str
) -> None:
    failed = ran(scenario(f"{WOMAN}, {values}", f"expect {expected}"))
    (answer,) = failed.answers
    assert not failed.passed
    assert (answer.wanted, answer.happened, answer.instead) == (expected, happened, instead)
    assert ran(scenario(f"{WOMAN}, {values}", f"expect {instead}")).passed


def test_a_result_that_is_not_there_has_no_true_expectation() -> None:
    (answer,) = ran(scenario(WOMAN, "expect potassium released")).answers
    assert (answer.happened, answer.instead) == ("there is no result of potassium", "")


def test_the_reasons_are_those_of_the_decision() -> None:
    (answer,) = ran(scenario(f"{WOMAN}, potassium 7.1 mmol/L", "expect potassium released")).answers
    assert answer.reasons == ("critical: Potassium 7.1 mmol/L is beyond above 6.2 mmol/L",)


def test_what_has_left_stays_as_it_left() -> None:
    """A later index can hold nothing that is gone; a new value of it is a correction."""
    assert ran(
        scenario(
            "given woman of 40 years, potassium 5.0 mmol/L",
            "expect potassium released",
            "after 5 minutes  hemolysis 3 g/L",
            "expect potassium released",
            "after 9 minutes  potassium 5.1 mmol/L",
            "expect potassium held by lysed",
            "after 12 minutes  hemolysis 0 g/L",
            "expect potassium held, lysed not fired",
        )
    ).passed


def test_every_step_has_its_decision() -> None:
    found = ran(
        scenario(f"{WOMAN}, potassium 7.1 mmol/L", "expect potassium held", "after 5 minutes",
                 "expect potassium held")
    )  # fmt: skip
    first, second = found.decisions
    assert (second.decided - first.decided).total_seconds() == 300


FAILING = scenario(f"{WOMAN}, potassium 4.4 mmol/L", "expect potassium held by lysed")


def folder(tmp_path: Path, text: str) -> Path:
    (tmp_path / "a.rules").write_text(SMALL + text, encoding="utf-8")
    return tmp_path


def test_a_failing_scenario_is_a_finding_at_its_expectation(tmp_path: Path) -> None:
    checked = load_folder(folder(tmp_path, FAILING))
    assert checked.program is None
    (finding,) = [item for item in checked.diagnostics if item.severity == "error"]
    line = (SMALL + FAILING).split("\n")[finding.line - 1]
    assert finding.code == "R501"
    assert line[finding.column - 1 : finding.end - 1] == "potassium held by lysed"
    assert finding.message == "this does not come true: potassium is released"
    assert finding.related == (f'a.rules:{finding.line - 2} scenario "s"',)
    mended = line[: finding.column - 1] + finding.fix + line[finding.end - 1 :]
    folder(tmp_path, FAILING.replace(line.strip(), mended.strip()))
    assert load_folder(tmp_path).program is not None


def test_the_command_says_it_in_all_three_forms(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(folder(tmp_path, FAILING))
    assert main(["rules", "check", path]) == 1
    text = capsys.readouterr().out
    assert "R501   a scenario does not come true" in text
    assert "verifier explain R501" in text
    assert main(["rules", "check", path, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert [d["fix"] for d in said["diagnostics"] if d["code"] == "R501"] == ["potassium released"]
    assert main(["rules", "check", path, "--html"]) == 1
    assert "<mark>potassium held by lysed</mark>" in capsys.readouterr().out


def test_a_rule_set_whose_scenario_fails_can_not_be_used(tmp_path: Path) -> None:
    with pytest.raises(RuleSetError, match="this does not come true: potassium is released"):
        load_program(folder(tmp_path, FAILING))


PARAMETER = """
parameter our_most = 5.0 mmol/L
  from "an invented procedure"
rule high for potassium
  from "an invented procedure"
  hold when result > our_most
  because "{test} {result}"
"""


def test_a_scenario_that_fails_with_the_numbers_of_the_site_alone_is_a_warning(
    tmp_path: Path,
) -> None:
    """Scenarios say what the rules do as written; a site may still set its own numbers."""
    held = scenario(f"{WOMAN}, potassium 5.1 mmol/L", "expect potassium held by high")
    path = folder(tmp_path, PARAMETER + held)
    assert load_folder(path).diagnostics == check({"a.rules": SMALL + PARAMETER}).diagnostics
    own = load_folder(path, {"our_most": "5.5 mmol/L"})
    assert own.program is not None
    assert [d.severity for d in own.diagnostics if d.code == "R501"] == ["warning"]


def test_a_failing_scenario_stays_an_error_whatever_the_site_sets(tmp_path: Path) -> None:
    wrong = scenario(f"{WOMAN}, potassium 4.0 mmol/L", "expect potassium held")
    path = folder(tmp_path, PARAMETER + wrong)
    assert load_folder(path, {"our_most": "5.5 mmol/L"}).program is None
