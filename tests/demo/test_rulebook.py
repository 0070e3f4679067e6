"""A rule that does not occur in the morning must be shown by a scenario that comes true."""

from collections import Counter

from msgspec.structs import replace

from verifier.demo import scenario
from verifier.demo.check import Aftermath, Findings, check
from verifier.demo.narrate import table
from verifier.demo.rulebook import shown_by_scenarios, speakers
from verifier.language.program import Program
from verifier.language.ruleset import check as checked
from verifier.rulefiles import load_program, shipped_rules

RULES = """
test sodium "Sodium"
  code      LOINC 2951-2
  unit      mmol/L  decimals 0

rule high for sodium
  from      "invented"
  hold when result > 150 mmol/L
  because   "sodium {result} is high"

rule remarkable for sodium
  from      "invented"
  when result > 145 mmol/L
  because   "sodium {result}"
  comment   "Sodium is remarkable."

scenario "a high sodium"
  given man of 60 years, sodium 151 mmol/L
  expect sodium held by high
"""


def program_of(text: str) -> Program:
    found = checked({"small.rules": text})
    assert found.program, found.diagnostics
    return found.program


def check_nothing(program: Program) -> Findings:
    """Check a morning of nothing: every rule is left to its scenarios."""
    after = Aftermath((), (), program, (), 0, ())
    return check(scenario.Morning(), after)


def unseen(findings: Findings) -> set[str]:
    return {line.split()[0] for line in findings.differences if "neither" in line}


def test_a_rule_is_shown_only_by_a_scenario_in_which_it_fires_and_that_comes_true() -> None:
    both = {"high": "a high sodium", "remarkable": "a high sodium"}
    assert shown_by_scenarios(program_of(RULES), {"high", "remarkable"}) == both
    assert shown_by_scenarios(program_of(RULES), {"remarkable"}).keys() == {"remarkable"}
    fails = RULES.replace("held by high", "released")
    assert shown_by_scenarios(program_of(fails), {"high", "remarkable"}) == {}
    quiet = RULES.replace("sodium 151", "sodium 147").replace("held by high", "released")
    assert shown_by_scenarios(program_of(quiet), {"high", "remarkable"}).keys() == {"remarkable"}


def test_a_rule_seen_nowhere_is_a_difference() -> None:
    assert not {"high", "remarkable"} & unseen(check_nothing(program_of(RULES)))
    without = RULES[: RULES.index("scenario")]
    assert {"high", "remarkable"} <= unseen(check_nothing(program_of(without)))


def test_the_summary_names_only_who_spoke_and_who_is_shown_elsewhere() -> None:
    program = program_of(RULES)
    found = replace(
        check_nothing(program), spoken={"few": 1, "high": 3, "remarkable": 9},
        held={"few": 1, "high": 2}, elsewhere={"rare": "a rare thing"},
    )  # fmt: skip
    told = table(scenario.Morning(), Aftermath((), (), program, (), 0, ()), found)
    lines = [" ".join(line.split()) for line in told.split("\n")]
    places = [
        lines.index(line)
        for line in ("high 2 kept back, 1 with a comment", "few 1 kept back",
                     "remarkable 9 with a comment", "rare a rare thing")
    ]  # fmt: skip
    assert places == sorted(places)
    assert not any(line.endswith(" 0") for line in lines if line.split()[:1] == ["rare"])


def test_every_shipped_comment_belongs_to_one_rule() -> None:
    program = load_program(shipped_rules())
    texts = [
        effect.text
        for rule in program.statements
        for effect in getattr(rule, "effects", ())
        if effect.what == "comment"
    ]
    assert max(Counter(texts).values()) == 1
    assert len(speakers(program)) == len(texts) > 20
