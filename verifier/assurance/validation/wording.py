"""Rules, derived results and scenarios as a reader without the rule language understands them."""

from collections.abc import Iterator

from verifier.assurance.running import written
from verifier.assurance.writing import given, period
from verifier.facts.catalogue import Catalogue
from verifier.language import tree
from verifier.language.program import Program
from verifier.language.scenarios import CheckedScenario
from verifier.language.source import Source, Span
from verifier.language.spelled import spelled

_SCOPES = {
    "result": "Holds the result when",
    "specimen": "Holds every result of the specimen when",
    "patient": "Holds every open specimen of the patient when",
    "nothing": "Holds nothing by itself; acts when",
}
_UNKNOWN = {
    "hold": "Where that can not be known, it holds.",
    "ignore": "Where that can not be known, it does nothing.",
}


def rule_sentences(rule: tree.Rule, program: Program) -> Iterator[str]:
    """Yield what a rule does, one sentence each; conditions are in the words of the rules."""
    yield f"For {_whom(rule, program)}."
    lead = _SCOPES.get(rule.scope) or f"Holds {_titles(rule.held, program)} when"
    yield f"{lead}: {spelled(rule.condition)}."
    if rule.unknown:
        yield _UNKNOWN[rule.unknown]
    elif rule.scope != "nothing":
        yield _UNKNOWN["hold"]
    for item in rule.exceptions:
        yield f"Does nothing when it is certain that {spelled(item.condition)} ({item.label})."
    if rule.wait:
        for_whom = _titles(rule.wait.tests, program)
        yield f"Waits up to {spelled(rule.wait.limit)} for {for_whom}."
    yield from (_effect(effect) for effect in rule.effects)
    if rule.orders:
        yield f"Orders {_titles(rule.orders, program)} unless it is in the specimen already."
    yield f"Reason that is shown: “{rule.because.text}”."


def _whom(rule: tree.Rule, program: Program) -> str:
    if rule.tests is None:
        but = f" except {_titles(rule.excluded, program)}" if rule.excluded else ""
        return f"every test{but}"
    return _titles(rule.tests, program) or "the specimen as a whole"


def _titles(words: tuple[tree.Word, ...], program: Program) -> str:
    return ", ".join(sorted(program.named(word.text)[0] for word in words))


def _effect(effect: tree.Effect) -> str:
    match effect.what:
        case "flag":
            return f"Flags the result {effect.text} (HL7 table 0078)."
        case "comment":
            return f"Adds the comment “{effect.text}”."
        case "suppress":
            return f"Reports “{effect.text}” in place of the value."
        case "ask":
            return f"Asks for: {effect.text}."
        case "call":
            within = f" within {spelled(effect.within)}" if effect.within else ""
            return f"Asks to call: {effect.text}{within}."
        case other:
            return f"{other}: {effect.text}."


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
