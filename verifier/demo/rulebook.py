"""The rules the demo runs with: who says which comment, and what the scenarios show."""

from collections.abc import Collection, Mapping

from verifier.assurance.running import run_scenario
from verifier.language import tree
from verifier.language.program import Program


def speakers(program: Program) -> Mapping[str, str]:
    """Return the rule behind each comment: a decision keeps the words, not whose they are."""
    return {
        effect.text: rule.name.text
        for rule in program.statements
        if isinstance(rule, tree.Rule)
        for effect in rule.effects
        if effect.what == "comment"
    }


def shown_by_scenarios(program: Program, rules: Collection[str]) -> Mapping[str, str]:
    """Return for each of `rules` a scenario in which it fires, of those that come true."""
    found: dict[str, str] = {}
    for scenario in program.scenarios:
        fired: set[str] = set()
        ran = run_scenario(program, scenario, lambda _, heard, seen=fired: seen.update(heard.fired))
        if ran.passed:
            for rule in fired & set(rules):
                found.setdefault(rule, scenario.name)
    return found
