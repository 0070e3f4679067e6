"""Mutants: counted by hand on a small rule set; what survives comes with a scenario to add."""

import json
from collections import Counter
from pathlib import Path

import pytest
from small_rules import SMALL, WOMAN, program_of

from verifier.assurance.killing import Tests, Verdict
from verifier.assurance.mutants import mutants_of, mutated
from verifier.assurance.running import run_scenario
from verifier.assurance.survivors import by_scenario
from verifier.cli import main
from verifier.language import check
from verifier.language.source import Source

FILE = "small.rules"
ONE = f'{SMALL}\nscenario "one"\n{WOMAN}'


def verdicts(text: str) -> list[Verdict]:
    tests = Tests({FILE: text})
    return [tests.judge(mutant) for mutant in tests.mutants]


def fates(found: list[Verdict]) -> Counter[str]:
    return Counter(verdict.fate for verdict in found)


def test_the_mistakes_of_the_small_rules() -> None:
    """By hand: of the ages 2 each; of the critical limits 8 numbers and 4 edges.

    Of `critical` it is left out, and chosen the other way. Of `lysed` the same, the exception left
    out, `and`, two operators, two numbers up and down. Of `low` it is left out, one operator, one
    number up and down. An age has no other edge: it is compared with `>=` and `<` alone.
    """
    assert 4 + (8 + 4) + 2 + (2 + 1 + 1 + 2 + 4) + (1 + 1 + 2) == 32
    found = mutants_of(program_of(SMALL), {FILE: Source(FILE, SMALL)})
    assert len(found) == 32
    assert Counter(mutant.what.rpartition(": ")[2] for mutant in found)["left out"] == 4


def test_a_mistake_is_in_the_text_where_it_says() -> None:
    for mutant in mutants_of(program_of(SMALL), {FILE: Source(FILE, SMALL)}):
        text = mutated({FILE: SMALL}, mutant)[FILE]
        assert text != SMALL
        assert text[: mutant.statement.start] == SMALL[: mutant.statement.start]
        assert text.endswith(SMALL[mutant.statement.end :])


def test_what_notices_them() -> None:
    """By hand. The scenario: `lysed` left out, `>` for `>=` and 0.6 for 0.5 g/L.

    Edge cases: all 12 of the limits, and a child of 17 who is no child any more. The checker:
    limits of both populations would fit one patient if adults began at 17, or children ended at 19.
    """
    assert fates(verdicts(ONE)) == {"scenario": 3, "edge case": 13, "refused": 2, "survived": 14}


def test_no_scenario_no_notice() -> None:
    assert fates(verdicts(SMALL)) == {"edge case": 13, "refused": 2, "survived": 17}


def test_every_survivor_comes_with_a_scenario_that_tells_them_apart() -> None:
    survived = [verdict for verdict in verdicts(ONE) if verdict.fate == "survived"]
    for verdict in survived:
        name, text = "added.rules", verdict.scenario
        right = check({FILE: ONE, name: text}).program
        wrong = check({**mutated({FILE: ONE}, verdict.mutant), name: text}).program
        assert right is not None, text
        assert wrong is not None, text
        assert [run_scenario(right, item).passed for item in right.scenarios] == [True, True]
        failed = [i for i in wrong.scenarios if not run_scenario(wrong, i).passed]
        assert [item.place.file for item in failed if item.place] == [name]


def test_with_the_scenarios_pasted_nothing_survives() -> None:
    added = "\n".join(by_scenario(verdicts(ONE)))
    assert fates(verdicts(f"{ONE}\n{added}")) == {"scenario": 17, "edge case": 13, "refused": 2}


def test_a_limit_nobody_asks_for_is_proven_to_change_nothing() -> None:
    more = '\nlimits for potassium\n  from "s"\n  autorelease 2.8 to 6.0\n'
    same = [verdict for verdict in verdicts(SMALL + more) if verdict.fate == "same"]
    assert [verdict.mutant.what for verdict in same] == [
        "2.8 → 2.7", "2.8 → 2.9", "6.0 → 5.9", "6.0 → 6.1",
    ]  # fmt: skip
    asked = more + (
        'rule outside for potassium\n  from "s"\n  hold when result is outside autorelease\n'
        '  because "x"\n'
    )
    assert "same" not in fates(verdicts(SMALL + asked))


def test_a_mistake_that_changes_nothing_is_not_called_proven_for_lack_of_a_case() -> None:
    """Every value above 9.0 is above 5.0: the second number can be anything below the first."""
    more = (
        '\nrule twice for potassium\n  from "s"\n'
        '  hold when result > 9.0 mmol/L and result > 5.0 mmol/L\n  because "x"\n'
    )
    found = [v for v in verdicts(SMALL + more) if v.mutant.what.startswith("5.0 mmol/L")]
    assert [(v.fate, v.scenario) for v in found] == [("survived", ""), ("survived", "")]


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("hold when (result > 5.0 mmol/L or sex is female) and age >= 3 years", "rule x: left out"),
        ("hold when ((result > 5.0 mmol/L))", "rule x: left out"),
        ("hold specimen when potassium > 5.0 mmol/L", "rule x: left out"),
        ("hold when result is between 3.0 and 5.0 mmol/L", "3.0 → 2.9"),
        ("hold when result > 5000 umol/L", "5000 umol/L → 4999 umol/L"),
        ("hold when age in years > 5", "age in years > 5: > → >="),
        ("hold when not (result > 5.0 mmol/L or sex is male)",
         "result > 5.0 mmol/L or sex is male: or → and"),
    ],
)  # fmt: skip
def test_mistakes_in_conditions_can_be_read(line: str, what: str) -> None:
    whom = "" if "specimen" in line else " for potassium"
    text = f'{SMALL}\nrule x{whom}\n  from "s"\n  {line}\n  when unknown hold\n  because "x"\n'
    program = program_of(text)
    found = mutants_of(program, {FILE: Source(FILE, text)})
    (mutant,) = [m for m in found if m.what == what]
    other = check(mutated({FILE: text}, mutant)).program
    assert other is not None
    assert other.identity != program.identity


def test_titers_are_halved_and_doubled() -> None:
    text = """
test ana "ANA"
  titer
limits for ana
  from "s"
  critical 1:640 or above
rule critical for ana
  from "s"
  hold when result is critical
  because "x"
"""
    found = [m.what for m in mutants_of(program_of(text), {FILE: Source(FILE, text)})]
    assert {"1:640 → 1:320", "1:640 → 1:1280", "1:640 or above → above 1:640"} <= set(found)


def folder(tmp_path: Path, text: str) -> str:
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    return str(tmp_path)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder(tmp_path, ONE)
    assert main(["rules", "test", path, "--mutate", "--jobs", "1"]) == 0
    said = capsys.readouterr().out
    assert "Small mistakes put into the rules, one at a time: 32 of 32" in said
    assert "  not noticed                      14" in said
    line = ONE.split("\n").index("  hold when result is critical") - 1
    assert f"# {FILE}:{line}  rule critical: left out\n" in said
    assert main(["rules", "test", path, "--mutate", "--jobs", "1", "--require-coverage"]) == 1


def test_several_processes_find_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, found = folder(tmp_path, ONE), []
    for jobs in ("1", "2"):
        more = ["--mutate", "--limit", "9", "--seed", "3", "--json", "--jobs", jobs]
        assert main(["rules", "test", path, *more]) == 0
        found.append(json.loads(capsys.readouterr().out)["mistakes"])
    assert found[0] == found[1]
    assert (found[0]["run"], found[0]["of"]) == (9, 32)
    main(
        ["rules", "test", path, "--mutate", "--limit", "9", "--seed", "4", "--json", "--jobs", "1"]
    )
    other = json.loads(capsys.readouterr().out)["mistakes"]
    assert other["mistakes"] != found[0]["mistakes"]


def test_numbers_that_make_no_sense_are_wrong_use(tmp_path: Path) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["rules", "test", folder(tmp_path, ONE), "--mutate", "--jobs", "0"])
