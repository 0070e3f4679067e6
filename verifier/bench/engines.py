"""The forty rules in general-purpose rule engines of the package registry, where installed.

The engines answer true or false for a complete set of ready-made numbers: no reasons, no unknown,
no units, and the earlier result and the age are looked up for them beforehand.
"""

import importlib
import json
from collections.abc import Callable, Mapping
from typing import Any

from verifier.bench.forty import RULES

Facts = Mapping[str, Any]
Judge = Callable[[Facts], list[bool]]
CONDITIONS = tuple(condition for _, _, condition in RULES)


def available() -> tuple[dict[str, tuple[Callable[[Facts], Facts], Judge]], list[str]]:
    """Return engines by name, each with how it takes facts, and the packages that are missing."""
    found: dict[str, tuple[Callable[[Facts], Facts], Judge]] = {}
    missing = []
    for package, module, make in (
        ("cel-python", "celpy", _cel),
        ("rule-engine", "rule_engine", _rule_engine),
        ("zen-engine", "zen", _zen),
    ):
        try:
            found |= make(importlib.import_module(module))
        except ImportError:
            missing.append(package)
    return found, missing


def _cel(celpy: Any) -> dict[str, tuple[Callable[[Facts], Facts], Judge]]:
    environment = celpy.Environment()
    programs = [environment.program(environment.compile(_in_cel(text))) for text in CONDITIONS]

    def typed(facts: Facts) -> Facts:
        types = celpy.celtypes
        return {
            name: types.StringType(value) if isinstance(value, str) else types.DoubleType(value)
            for name, value in facts.items()
        }

    judge: Judge = lambda facts: [bool(program.evaluate(facts)) for program in programs]  # noqa: E731
    return {"cel-python": (typed, judge)}


def _in_cel(condition: str) -> str:
    return condition.replace(" and ", " && ").replace(" or ", " || ").replace("not ", "!")


def _rule_engine(module: Any) -> dict[str, tuple[Callable[[Facts], Facts], Judge]]:
    rules = [module.Rule(text) for text in CONDITIONS]
    return {"rule-engine": (dict, lambda facts: [rule.matches(facts) for rule in rules])}


def _zen(zen: Any) -> dict[str, tuple[Callable[[Facts], Facts], Judge]]:
    compiled = [zen.compile_expression(text) for text in CONDITIONS]
    decision = zen.ZenEngine().create_decision(json.dumps(_table()))
    whole = zen.compile_expression(f"[{', '.join(f'({text})' for text in CONDITIONS)}]")

    def by_table(facts: Facts) -> list[bool]:
        fired = {row["rule"] for row in decision.evaluate(facts)["result"]}
        return [number in fired for number in range(len(CONDITIONS))]

    return {
        "zen-engine, rule by rule": (
            dict,
            lambda facts: [expression.evaluate(facts) for expression in compiled],
        ),
        "zen-engine, decision table": (dict, by_table),
        "zen-engine, one expression": (dict, whole.evaluate),
    }


def _table() -> dict[str, Any]:
    """Return the forty rules as a decision table that collects every row that is true."""
    rows = [
        {"_id": f"row{number}", "when": condition, "then": str(number)}
        for number, condition in enumerate(CONDITIONS)
    ]
    content = {
        "hitPolicy": "collect",
        "inputs": [{"id": "when", "name": "when", "field": ""}],
        "outputs": [{"id": "then", "name": "then", "field": "rule"}],
        "rules": rows,
    }
    nodes = [
        {"id": "in", "name": "in", "type": "inputNode"},
        {"id": "table", "name": "table", "type": "decisionTableNode", "content": content},
        {"id": "out", "name": "out", "type": "outputNode"},
    ]
    edges = [
        {"id": "first", "type": "edge", "sourceId": "in", "targetId": "table"},
        {"id": "second", "type": "edge", "sourceId": "table", "targetId": "out"},
    ]
    return {"nodes": nodes, "edges": edges}
