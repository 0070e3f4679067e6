"""Tells scenarios and guarantees as facts, for comparing what is expected of two rule sets."""

from collections.abc import Callable, Iterable

from verifier.language import tree
from verifier.language.source import Span
from verifier.language.spelled import spelled
from verifier.language.telling import Facts, Said

Words = Callable[[Span], str]


def expected_of(declarations: Iterable[tree.Declaration], words: Words) -> dict[str, Facts]:
    """Return the facts of scenarios and guarantees by subject; `words` is what a span says."""
    found: dict[str, Facts] = {}
    for declared in declarations:
        match declared:
            case tree.Scenario():
                found[f'scenario "{declared.name.text}"'] = _scenario(declared, words)
            case tree.Guarantee():
                found[f'guarantee "{declared.name.text}"'] = _guarantee(declared)
    return found


def _scenario(scenario: tree.Scenario, words: Words) -> Facts:
    facts = _source(scenario.source)
    for step in scenario.steps:
        lead = f"after {spelled(step.after)} " if step.after else ""
        for label, parts in (("given", step.given), ("expect", step.expected)):
            texts = tuple(words(part.span) for part in parts)
            facts[f"{lead}{label}"] = Said(f"{lead}{label}", texts)
    return facts


def _guarantee(guarantee: tree.Guarantee) -> Facts:
    names = ", ".join(sorted(word.text for word in guarantee.tests or ()))
    never = f"never release {names} when".replace("  ", " ")
    return _source(guarantee.source) | {
        "never": Said("", (f"{never} {spelled(guarantee.condition)}",))
    }


def _source(source: str) -> Facts:
    return {"source": Said("source", (f'"{source}"',) if source else ())}
