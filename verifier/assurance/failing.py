"""Failing scenarios as findings of the checker: place, the rule set's own words, meaning, fix."""

from collections.abc import Iterable, Mapping

from verifier.assurance.running import Answer, Ran, run_scenario
from verifier.language.diagnostics import Diagnostic
from verifier.language.findings import Findings
from verifier.language.program import Program
from verifier.language.source import Source

_MOST_REASONS = 3


def failing(program: Program, files: Mapping[str, str]) -> tuple[Diagnostic, ...]:
    """Run the scenarios of a program and return a finding for each expectation not met.

    `files` are the texts the program was compiled from, to tell where each expectation stands.
    """
    return findings_of((run_scenario(program, item) for item in program.scenarios), files)


def findings_of(runs: Iterable[Ran], files: Mapping[str, str]) -> tuple[Diagnostic, ...]:
    """Return a finding for each expectation that was not met in scenarios already run."""
    findings = Findings({name: Source(name, text) for name, text in files.items()})
    for ran in runs:
        for answer in ran.answers:
            if not answer.met:
                _note(ran, answer, findings)
    return findings.report()


def _note(ran: Ran, answer: Answer, findings: Findings) -> None:
    assert answer.place is not None
    related = [ran.scenario.place] if ran.scenario.place else []
    findings.add(
        "R501", answer.place, f"this does not come true: {answer.happened}",
        meaning=meaning(answer), fix=answer.instead, related=related,
    )  # fmt: skip


def meaning(answer: Answer) -> str:
    """Return why it happened, and that either side may be wrong."""
    shown = list(answer.reasons[:_MOST_REASONS])
    more = len(answer.reasons) - len(shown)
    shown += [f"and {more} more reasons"] if more else []
    why = f"{'; '.join(shown)}. " if shown else ""
    return f"{why}Either a rule is not what was meant, or this expectation is not."
