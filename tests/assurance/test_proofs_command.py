"""`verifier rules prove`: what is proved, what is refuted and shown, and the exit codes."""

import json
from pathlib import Path

import pytest

from verifier.cli import main

RULES = """
population adult  age >= 18 years

test potassium "Potassium"
  code LOINC 2823-3
  unit mmol/L  decimals 1

test hemolysis "Hemolysis index"
  code local "H-INDEX"
  unit g/L  decimals 1
  interference index

rule lysed for potassium
  from "an invented procedure"
  hold when hemolysis >= 0.5 g/L
  when unknown ignore
  because "hemolysis {hemolysis}"
"""
HOLDS = """
guarantee "no potassium of a hemolyzed specimen"
  from "an invented procedure"
  never release potassium when hemolysis >= 0.6 g/L
"""
FAILS = """
guarantee "no potassium without an index"
  from "an invented procedure"
  never release potassium when hemolysis is not known
"""


def folder(tmp_path: Path, *parts: str) -> str:
    place = tmp_path / "rules"
    place.mkdir(exist_ok=True)
    (place / "small.rules").write_text("".join((RULES, *parts)), encoding="utf-8")
    return str(place)


def test_one_is_proved_and_one_refuted_with_a_case_that_shows_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rules, out = folder(tmp_path, HOLDS, FAILS), tmp_path / "out"
    assert main(["rules", "prove", rules, "--json", "--out", str(out)]) == 1
    said = json.loads(capsys.readouterr().out)
    outcomes = {item["name"]: item["outcome"] for item in said["guarantees"]}
    assert outcomes == {
        "no potassium of a hemolyzed specimen": "proved",
        "no potassium without an index": "refuted",
    }
    (messages,) = out.glob("*.hl7")
    assert main(["judge", str(messages), "--rules", rules, "--json"]) == 0
    (result,) = json.loads(capsys.readouterr().out)["specimens"][0]["results"]
    assert (result["test"], result["decision"]) == ("potassium", "release")


def test_the_scenario_fails_as_long_as_the_rules_do(tmp_path: Path) -> None:
    rules, out = folder(tmp_path, FAILS), tmp_path / "out"
    main(["rules", "prove", rules, "--out", str(out)])
    (scenario,) = out.glob("*.rules")
    added = scenario.read_text(encoding="utf-8")
    assert main(["rules", "test", folder(tmp_path, FAILS, added)]) == 1
    mended = RULES.replace("when unknown ignore", "when unknown hold")
    (tmp_path / "rules" / "small.rules").write_text(mended + FAILS + added, encoding="utf-8")
    assert main(["rules", "test", rules]) == 0
    assert main(["rules", "prove", rules]) == 0


@pytest.mark.parametrize(
    ("parts", "more", "code"),
    [
        ((HOLDS,), [], 0),
        ((HOLDS, FAILS), [], 1),
        ((HOLDS, FAILS), ["--guarantee", "no potassium of a hemolyzed specimen"], 0),
        ((), [], 1),
        ((HOLDS,), ["--guarantee", "no such guarantee"], 2),
        ((HOLDS.replace("0.6 g/L", "0.6 mmol/L"),), [], 2),
    ],
)
def test_exit_codes(tmp_path: Path, parts: tuple[str, ...], more: list[str], code: int) -> None:
    assert main(["rules", "prove", folder(tmp_path, *parts), *more]) == code
