"""Every example of the manual is executed: right ones compile, wrong ones get their code."""

import re

import pytest
from scenes import SHIPPED

from verifier.assurance.running import run_scenario
from verifier.language import CODES, Program, check

MANUAL = (SHIPPED / "README.md").read_text(encoding="utf-8")
FENCES = re.findall(r"^```(\w+) ?(\w*)\n(.*?)^```$", MANUAL, re.DOTALL | re.MULTILINE)
RIGHT = "\n".join(text for kind, _, text in FENCES if kind == "rules")
WRONG = [(code, text) for kind, code, text in FENCES if kind == "wrong"]


def failures(program: Program) -> list[str]:
    """Return what does not come true, with its scenario."""
    runs = [run_scenario(program, item) for item in program.scenarios]
    return [f"{r.scenario.name}: {a.happened}" for r in runs for a in r.answers if not a.met]


def test_the_examples_make_one_rule_set() -> None:
    checked = check({"manual.rules": RIGHT})
    assert checked.program is not None, checked.diagnostics
    assert len(checked.program.rules) >= 5


def test_the_scenarios_come_true() -> None:
    program = check({"manual.rules": RIGHT}).program
    assert program is not None
    assert len(program.scenarios) >= 2
    assert failures(program) == []


def test_a_scenario_that_does_not_come_true_is_told() -> None:
    program = check(
        {"manual.rules": RIGHT.replace("hemolysis 1.2 g/L", "hemolysis 0.2 g/L")}
    ).program
    assert program is not None
    assert failures(program) == ["hemolyzed and high: potassium is released"]


@pytest.mark.parametrize(("code", "text"), WRONG, ids=[code for code, _ in WRONG])
def test_a_wrong_example_gets_its_code_and_no_other_error(code: str, text: str) -> None:
    assert code in CODES
    checked = check({"manual.rules": RIGHT, "wrong.rules": text})
    errors = {d.code for d in checked.diagnostics if d.severity == "error"}
    assert errors == {code}
    assert checked.program is None
