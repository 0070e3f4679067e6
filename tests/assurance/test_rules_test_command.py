"""`verifier rules test`: what it prints, what it writes, and its exit codes."""

import json
from pathlib import Path

import pytest
from junitparser import JUnitXml, TestSuite
from small_rules import ALL, SMALL, WOMAN

from verifier.cli import main

FAILS = WOMAN.replace("held by lysed", "released")


def folder(tmp_path: Path, *scenarios: str) -> str:
    text = "".join(f'\nscenario "case {n}"\n{said}' for n, said in enumerate(scenarios))
    (tmp_path / "small.rules").write_text(SMALL + text, encoding="utf-8")
    return str(tmp_path)


@pytest.mark.parametrize(
    ("scenarios", "more", "code"),
    [
        ([], [], 1),
        ([WOMAN], [], 0),
        ([WOMAN, FAILS], [], 1),
        ([WOMAN], ["--require-coverage"], 1),
        (ALL, ["--require-coverage"], 0),
    ],
)
def test_exit_codes(tmp_path: Path, scenarios: list[str], more: list[str], code: int) -> None:
    assert main(["rules", "test", folder(tmp_path, *scenarios), *more]) == code


def test_a_rule_set_with_errors_is_wrong_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder(tmp_path, "  given potassium 5\n  expect potassium held\n")
    assert main(["rules", "test", path]) == 2
    assert "the rule set has 1 error" in capsys.readouterr().err
    assert main(["rules", "test", str(tmp_path / "none")]) == 2


def test_what_fails_is_told_with_its_reasons(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["rules", "test", folder(tmp_path, WOMAN, FAILS)])
    said = capsys.readouterr().out
    assert "ok     case 0" in said
    assert "FAILS  case 1" in said
    assert "expected   potassium released" in said
    assert "happened   potassium is held by lysed" in said
    assert "because    lysed: hemolysis 0.5 g/L" in said
    assert "Scenarios that come true: 1 of 2" in said
    assert "Edge cases decided as the limit is written: 12 of 12" in said


def test_what_is_not_covered_is_told_in_the_words_of_the_rules(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["rules", "test", folder(tmp_path, WOMAN)])
    said = capsys.readouterr().out
    line = SMALL.split("\n").index("  when result < 3.0 mmol/L") + 1
    assert f"small.rules:{line}  result < 3.0 mmol/L: never true, never unknown" in said
    assert "rules that fired            1 of 3" in said


def test_edges_are_listed_on_request(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder(tmp_path, WOMAN)
    main(["rules", "test", path])
    assert "potassium 2.7 mmol/L" not in capsys.readouterr().out
    main(["rules", "test", path, "--edges"])
    line = "ok     woman of 40 years, potassium 2.7 mmol/L: critical  [critical adult below 2.8, "
    assert line in capsys.readouterr().out


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "test", folder(tmp_path, WOMAN, FAILS), "--json", "--edges"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["passed"] is False
    assert [item["passed"] for item in said["scenarios"]] == [True, False]
    (failed,) = said["scenarios"][1]["expectations"]
    assert (failed["expected"], failed["met"]) == ("potassium released", False)
    assert failed["instead"] == "potassium held by lysed"
    assert said["edges"]["run"] == len(said["edges"]["cases"]) == 12
    assert said["coverage"]["rules that fired"] == {"covered": 1, "of": 3}
    assert {"file", "line", "words", "what"} <= set(said["not covered"][0])


def test_a_build_server_reads_the_report(tmp_path: Path) -> None:
    """Read back with junitparser, a general-purpose reader of JUnit XML."""
    report = tmp_path / "report.xml"
    main(["rules", "test", folder(tmp_path, WOMAN, FAILS), "--junit", str(report)])
    xml = JUnitXml.fromfile(str(report))
    scenarios, edges = (suite for suite in xml if isinstance(suite, TestSuite))
    assert (scenarios.tests, scenarios.failures) == (2, 1)
    assert (edges.tests, edges.failures, edges.skipped) == (12, 0, 0)
    assert (xml.tests, xml.failures, xml.errors) == (14, 1, 0)
    passed, failed = scenarios
    assert passed.is_passed
    (failure,) = failed.result
    assert failure.message == "potassium released: potassium is held by lysed"
    before = [scenarios.tests, scenarios.failures, edges.tests, edges.skipped]
    for suite in (scenarios, edges):
        suite.update_statistics()
    assert before == [scenarios.tests, scenarios.failures, edges.tests, edges.skipped]


def test_no_scenarios_fail_at_the_build_server_too(tmp_path: Path) -> None:
    report = tmp_path / "report.xml"
    main(["rules", "test", folder(tmp_path), "--junit", str(report)])
    assert JUnitXml.fromfile(str(report)).failures == 1


def test_a_report_that_can_not_be_written_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = str(tmp_path / "none" / "report.xml")
    assert main(["rules", "test", folder(tmp_path, WOMAN), "--junit", report]) == 2
    assert "report.xml: No such file" in capsys.readouterr().err
