"""Formulas, statements and scenarios as they are shown."""

from verifier.assurance.running import written
from verifier.assurance.writing import given, period
from verifier.facts.catalogue import Catalogue
from verifier.language import tree
from verifier.language.scenarios import CheckedScenario
from verifier.language.source import Source, Span
from verifier.language.spelled import spelled


def formula_text(item: tree.Derive) -> str:
    """Return how a derived result is worked out, with what it names on the way."""
    lets = [f"{let.name.text} = {spelled(let.value)}" for let in item.lets]
    return "\n".join([*lets, spelled(item.formula)])


def statement_text(sources: dict[str, Source], span: Span) -> str:
    """Return a statement as it stands in its file."""
    return sources[span.file].text[span.start : span.end].rstrip()


def scenario_given(catalogue: Catalogue, scenario: CheckedScenario) -> str:
    """Return what a scenario gives, a line for each message."""
    lines = []
    for number, step in enumerate(scenario.steps):
        lead = f"after {period(step.after)}: " if number else ""
        lines.append(f"{lead}{given(catalogue, step)}")
    return "\n".join(lines)


def scenario_expected(scenario: CheckedScenario) -> str:
    """Return what a scenario expects, a line for each message that expects something."""
    lines = []
    for number, step in enumerate(scenario.steps):
        if step.expected:
            lead = f"after {period(step.after)}: " if number else ""
            lines.append(lead + ", ".join(written(item) for item in step.expected))
    return "\n".join(lines)
