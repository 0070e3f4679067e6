"""The rules the demo runs with: who says which comment, and what the scenarios show."""

from collections.abc import Collection, Mapping, Sequence
from functools import partial

from verifier.assurance.running import Heard, run_scenario
from verifier.language import tree
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep


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
        heard: list[Heard] = []
        ran = run_scenario(program, scenario, partial(_keep, heard))
        if ran.passed:
            fired = frozenset[str]().union(*(each.fired for each in heard))
            found |= dict.fromkeys(fired & set(rules) - found.keys(), scenario.name)
    return found


def _keep(heard: list[Heard], _: Sequence[ScenarioStep], now: Heard) -> None:
    heard.append(now)
