"""`verifier rules check --watch`, as a process: checks again on every change, ends on Ctrl-C."""

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from scenes import HEAD

RULE = 'rule r for potassium\n  from "s"\n  hold when result > 5 mmol/L\n  because "x"\n'
Watching = subprocess.Popen[str]


@pytest.fixture
def watching(tmp_path: Path) -> Iterator[Watching]:
    (tmp_path / "a.rules").write_text(HEAD + RULE, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "verifier", "rules", "check", str(tmp_path), "--watch"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    yield process
    process.kill()
    process.communicate()


def until_watching(process: Watching) -> str:
    """Return what is printed up to the line that says it waits for the next change."""
    assert process.stdout is not None
    said = ""
    while not (line := process.stdout.readline()).startswith("watching "):
        assert line, f"it ended: {said}"
        said += line
    return said


def test_it_checks_again_and_ends_cleanly(tmp_path: Path, watching: Watching) -> None:
    assert "can be used" in until_watching(watching)
    (tmp_path / "a.rules").write_text(HEAD + RULE.replace("5 mmol/L", "5"), encoding="utf-8")
    said = until_watching(watching)
    assert "R204" in said
    assert "can not be used" in said
    (tmp_path / "b.rules").write_text("# nothing\n", encoding="utf-8")
    assert "R204" in until_watching(watching)
    (tmp_path / "a.rules").write_text(HEAD + RULE, encoding="utf-8")
    assert "can be used" in until_watching(watching)
    watching.send_signal(signal.SIGINT)
    _, complaints = watching.communicate(timeout=30)
    assert watching.returncode == 0
    assert complaints == ""


def test_the_exit_code_is_that_of_the_last_check(tmp_path: Path, watching: Watching) -> None:
    until_watching(watching)
    (tmp_path / "a.rules").unlink()
    assert "R500" in until_watching(watching)
    watching.send_signal(signal.SIGINT)
    _, complaints = watching.communicate(timeout=30)
    assert (watching.returncode, complaints) == (1, "")
