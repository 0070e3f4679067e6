"""What came of the mutants of a rule set, as lines of text and as plain values for JSON."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from verifier.assurance.killing import FATES, Fate, Verdict
from verifier.assurance.telling import EDGES_FOLLOW, where
from verifier.language.source import Source

FATE_WORDS: dict[Fate, str] = {
    "scenario": "noticed by a scenario",
    "edge case": "noticed by edge cases alone",
    "refused": "refused by the checker, not run",
    "same": "proven to change nothing",
    "survived": "not noticed",
}


def lines(verdicts: Sequence[Verdict], of: int, sources: Mapping[str, Source]) -> Iterator[str]:
    """Yield the report, one line each; `of` is how many mutants there are, run or not."""
    counted = Counter(verdict.fate for verdict in verdicts)
    yield f"Small mistakes put into the rules, one at a time: {len(verdicts)} of {of}"
    for fate in FATES:
        yield f"  {FATE_WORDS[fate]:<32} {counted[fate]}"
    for verdict in verdicts:
        if verdict.fate == "same":
            yield f"  {_place(verdict, sources)}: {verdict.why}"
    if alone := [verdict for verdict in verdicts if verdict.fate == "edge case"]:
        yield ""
        yield f"No scenario notices these. {EDGES_FOLLOW}"
        yield from (f"  {_place(verdict, sources)}" for verdict in alone)
    found = by_scenario(verdicts)
    if any(found):
        yield ""
        yield "Not noticed. Each scenario is right for the rules as they are, and fails with the"
        yield "mistakes above it; if it is what you mean, paste it into a rule file:"
    for text, noticed in found.items():
        if text:
            yield ""
            yield from (f"# {_place(verdict, sources)}" for verdict in noticed)
            yield from text.rstrip().split("\n")
    if found.get(""):
        yield ""
        yield "Not noticed, and no scenario was found that would notice it:"
        yield from (f"  {_place(verdict, sources)}" for verdict in found[""])


def by_scenario(verdicts: Sequence[Verdict]) -> dict[str, list[Verdict]]:
    """Return the survivors by the scenario that would notice them, "" for none."""
    found: dict[str, list[Verdict]] = {}
    for verdict in verdicts:
        if verdict.fate == "survived":
            found.setdefault(verdict.scenario, []).append(verdict)
    return found


def _place(verdict: Verdict, sources: Mapping[str, Source]) -> str:
    return f"{where(verdict.mutant.place, sources)}  {verdict.mutant.what}"


def as_json(verdicts: Sequence[Verdict], of: int, sources: Mapping[str, Source]) -> dict[str, Any]:
    """Return the report as plain values."""
    counted = Counter(verdict.fate for verdict in verdicts)
    return {
        "run": len(verdicts),
        "of": of,
        "counts": {FATE_WORDS[fate]: counted[fate] for fate in FATES},
        "mistakes": [
            {
                "what": verdict.mutant.what,
                "where": where(verdict.mutant.place, sources),
                "fate": FATE_WORDS[verdict.fate],
                "noticed by": verdict.noticed_by,
                "why": verdict.why,
                "scenario": verdict.scenario,
            }
            for verdict in verdicts
        ],
    }


def all_noticed(verdicts: Sequence[Verdict]) -> bool:
    """Return whether nothing survived."""
    return all(verdict.fate != "survived" for verdict in verdicts)
