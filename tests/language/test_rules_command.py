"""`verifier rules check` and reading a folder, with real files."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from scenes import HEAD, SHIPPED, shipped

from verifier.cli import main
from verifier.errors import RuleSetError
from verifier.rulefiles import load_folder, load_program

BAD = 'limits for potasium\n  from "s"\n  critical below 2.8\n'


def test_the_shipped_rules_are_fine(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "check", str(SHIPPED)]) == 0
    out = capsys.readouterr().out
    assert shipped().identity in out
    assert "(note)" in out


def test_errors_exit_with_one_and_say_where(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "bad.rules").write_text(HEAD + BAD, encoding="utf-8")
    assert main(["rules", "check", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert "deep/bad.rules:11:12" in out
    assert "did you mean potassium?" in out


def test_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "check", str(SHIPPED), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["identity"] == shipped().identity
    (tmp_path / "bad.rules").write_text(BAD, encoding="utf-8")
    assert main(["rules", "check", str(tmp_path), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["identity"] is None
    assert found["diagnostics"][0]["code"] == "R201"
    assert found["diagnostics"][0]["line"] == 1


def test_no_folder_is_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "check", str(tmp_path / "none")]) == 2
    assert "there is no such folder" in capsys.readouterr().err


def test_as_a_process() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "verifier", "rules", "check", str(SHIPPED)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "identity" in run.stdout
    assert "\x1b" not in run.stdout


def test_a_file_that_is_not_utf8_is_a_finding(tmp_path: Path) -> None:
    (tmp_path / "a.rules").write_bytes(b"# ok\n# \xb5mol/L\n")
    checked = load_folder(tmp_path)
    assert checked.program is None
    finding = next(d for d in checked.diagnostics if d.code == "R200")
    assert (finding.line, finding.column) == (2, 3)


def test_a_broken_or_empty_folder_gives_no_program(tmp_path: Path) -> None:
    with pytest.raises(RuleSetError, match="1 error"):
        load_program(tmp_path)
    (tmp_path / "a.rules").write_text(BAD, encoding="utf-8")
    with pytest.raises(RuleSetError, match="potasium"):
        load_program(tmp_path)
    with pytest.raises(RuleSetError, match="no such folder"):
        load_program(tmp_path / "none")
