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


ON_BOTH = """
derive twice "Twice"
  unit mmol/L  decimals 1
  formula 2 * potassium
  from "an invented procedure"
  report as local "TWICE"

rule old-specimen
  from "an invented procedure"
  hold specimen when specimen age > 8 hours
  when unknown ignore
  because "it stood"
"""


def two(tmp_path: Path, old: str, new: str) -> list[str]:
    """Write two rule sets and return what compares them."""
    for name, text in (("old", old), ("new", new)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "a.rules").write_text(text, encoding="utf-8")
    return ["rules", "prove", str(tmp_path / "new"), "--holds-at-least", str(tmp_path / "old")]


@pytest.mark.parametrize(
    ("change", "freed"),
    [
        (("hemolysis >= 0.5 g/L", "hemolysis >= 0.4 g/L"), []),
        (("hemolysis >= 0.5 g/L", "hemolysis >= 0.6 g/L"), ["potassium", "twice"]),
        (("age > 8 hours", "age > 481 minutes"), ["potassium", "hemolysis", "twice"]),
        (("when unknown ignore\n  because \"hem", "when unknown hold\n  because \"hem"), []),
        (("report as", "for adult\n  report as"), []),
        (("interference index", "interference index\n  uncontrolled"), []),
        (('  unit mmol/L  decimals 1\n\ntest', "  unit mmol/L\n  uncontrolled\n\ntest"),
         ["potassium", "twice"]),
    ],
)  # fmt: skip
def test_a_change_that_only_adds_holds_is_told_from_one_that_frees(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], freed: list[str]
) -> None:
    old = RULES + ON_BOTH
    new = old.replace(*change)
    assert new != old
    out = tmp_path / "out"
    code = main([*two(tmp_path, old, new), "--json", "--out", str(out)])
    said = json.loads(capsys.readouterr().out)
    outcomes = {item["test"]: item["outcome"] for item in said["results"]}
    assert outcomes == {
        test: "refuted" if test in freed else "proved"
        for test in ("potassium", "hemolysis", "twice")
    }
    assert code == (1 if freed else 0)
    for test in freed:
        assert _judged(out, test, tmp_path / "old", capsys) != "release"
        assert _judged(out, test, tmp_path / "new", capsys) == "release"


def _judged(out: Path, test: str, rules: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """Return what the last message of a counterexample leads to."""
    given = [str(out / f"{test}.hl7"), "--rules", str(rules), "--json"]
    states = out / f"{test}.toml"
    main(["judge", *given, *(["--quality", str(states)] if states.exists() else [])])
    last = json.loads(capsys.readouterr().out.splitlines()[-1])
    results = {item["test"]: item["decision"] for item in last["specimens"][0]["results"]}
    return str(results[test])


def test_numbers_in_another_unit_are_not_compared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = RULES.replace("unit g/L", "unit mg/L").replace("0.5 g/L", "500 mg/L")
    assert main(two(tmp_path, RULES, new)) == 1
    assert "hemolysis is in another unit" in capsys.readouterr().out


def test_what_no_scenario_can_give_is_shown_by_messages(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    below = """
guarantee "no potassium below zero"
  from "an invented procedure"
  never release potassium when potassium < 0 mmol/L and potassium > -2 * 1 mmol/L
"""
    rules, out = folder(tmp_path, below), tmp_path / "out"
    assert main(["rules", "prove", rules, "--out", str(out)]) == 1
    assert "no scenario gives a value below zero" in capsys.readouterr().out
    assert not list(out.glob("*.rules"))
    (messages,) = out.glob("*.hl7")
    main(["judge", str(messages), "--rules", rules, "--json"])
    (result,) = json.loads(capsys.readouterr().out)["specimens"][0]["results"]
    assert (result["decision"], result["value"][0]) == ("release", "-")


def test_a_condition_that_is_never_true_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty = """
guarantee "both at once"
  from "an invented procedure"
  never release potassium when potassium < 3 mmol/L and potassium > 4 mmol/L
"""
    assert main(["rules", "prove", folder(tmp_path, empty)]) == 0
    assert "it forbids nothing" in capsys.readouterr().out
