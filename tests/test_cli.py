"""Every command has help with an example, and exit codes are 0, 1, 2."""

import argparse
import re
import subprocess
import sys
from pathlib import Path

import pytest

from verifier.cli import build_parser, main

README = Path(__file__).parent.parent / "README.md"
# The names scripts may rely on; the other fixed names come with the parts they belong to.
FIXED = {"demo", "serve", "send", "judge", "rules", "suspend", "resume", "hl7", "audit", "user"}


def leaves(
    parser: argparse.ArgumentParser, path: tuple[str, ...] = ()
) -> list[tuple[str, argparse.ArgumentParser]]:
    """Return every command that can be run, with its full name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            found = [leaves(child, (*path, name)) for name, child in action.choices.items()]
            return [leaf for group in found for leaf in group]
    return [(" ".join(path), parser)]


COMMANDS = leaves(build_parser())


def test_the_fixed_names_are_there() -> None:
    assert {name.split()[0] for name, _ in COMMANDS} >= FIXED | {"bench"}


@pytest.mark.parametrize(("name", "parser"), COMMANDS, ids=[name for name, _ in COMMANDS])
def test_every_command_has_help_with_an_example(name: str, parser: argparse.ArgumentParser) -> None:
    text = parser.format_help()
    assert "example" in text.lower(), name
    assert f"verifier {name}" in text.split("usage:", 1)[1].split("\n", 1)[1], name


def test_help_says_the_caution() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "verifier", "--help"], capture_output=True, text=True, check=True
    )
    assert "Not a medical device by itself" in run.stdout


def test_wrong_use_exits_with_two(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["no-such-command"])
    assert stop.value.code == 2
    assert "no-such-command" in capsys.readouterr().err


def test_an_error_on_purpose_is_a_sentence_and_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["serve", "--config", str(tmp_path / "none.toml")])
    assert code == 2
    said = capsys.readouterr().err
    assert "none.toml" in said
    assert "Traceback" not in said


def test_the_readme_names_only_commands_that_exist() -> None:
    text = README.read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^|[`/ ])verifier ([a-z][a-z0-9]+(?: [a-z]+)?)", text))
    known = {name for name, _ in COMMANDS} | {name.split()[0] for name, _ in COMMANDS}
    wrong = {n for n in named if n not in known and n.split()[0] not in known}
    assert not wrong
