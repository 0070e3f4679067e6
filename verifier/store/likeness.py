"""Which held specimens are like each other: the ones a person may release with one signature.

Two are alike when the very same rules hold results of the very same tests, result by result. Never
in a batch: what is critical, corrects something that left, is doubtful, could not be judged, is
suppressed, waits for something, or of which a rule asks for an act first.
"""

import hashlib
from collections.abc import Iterator

from verifier.decide.safeguards import PREFIX
from verifier.facts.case import CaseRecord, Entry
from verifier.facts.verdicts import Decision, ResultDecision
from verifier.store.severity import CORRECTION, CRITICAL_FLAGS, open_results, severity
from verifier.texts import mark

INPUTS = f"{PREFIX}inputs"  # the safeguard that holds what is derived from something held


def likeness(record: CaseRecord, decision: Decision) -> str:
    """Return what two specimens must share to be alike: test and rules of each held result.

    It is a short text made from them, empty when the specimen is never part of a batch.
    """
    if alone(record, decision):
        return ""
    shared = sorted(
        (held.test, held.code, sorted({reason.rule for reason in held.reasons}))
        for held in open_results(record, decision, "hold")
    )
    return hashlib.blake2b(repr(shared).encode(), digest_size=8).hexdigest()


def alone(record: CaseRecord, decision: Decision) -> str:
    """Return why a specimen is never part of a batch, empty when it may be."""
    return next(_hindrances(record, decision), "")


def _hindrances(record: CaseRecord, decision: Decision) -> Iterator[str]:
    held = open_results(record, decision, "hold")
    if not held:
        yield mark("Nothing of it is held.")
    worst = severity(record, decision, held)
    if worst >= CORRECTION:
        yield mark("It is a correction.") if worst == CORRECTION else mark("It is critical.")
    if record.doubts or any(record.entries[result.entry].doubts for result in held):
        yield mark("There are doubts about it.")
    if any(record.entries[result.entry].bracket for result in held):
        yield mark("A control failed after it was measured.")
    if any(entry.state == "open" for entry in _others(record, held)):
        yield mark("Something of it still waits.")
    yield from (why for result in held if (why := _of_result(result)))
    rules = {reason.rule for result in held for reason in result.reasons}
    if any(request.rule in rules for request in decision.requests):
        yield mark("A rule asks for something to be done first.")
    if len(following(decision)) < sum(one.outcome != "release" for one in decision.derived):
        yield mark("A derived result is held for more than its inputs.")


def following(decision: Decision) -> list[ResultDecision]:
    """Return the derived results that are held for their inputs alone: they leave with them."""
    return [
        one
        for one in decision.derived
        if one.outcome != "release"
        and one.flag not in CRITICAL_FLAGS
        and {reason.rule for reason in one.reasons} == {INPUTS}
    ]


def _others(record: CaseRecord, held: list[ResultDecision]) -> Iterator[Entry]:
    places = {result.entry for result in held}
    return (entry for place, entry in enumerate(record.entries) if place not in places)


def _of_result(result: ResultDecision) -> str:
    if result.instead:
        return mark("Its value is suppressed.")
    kinds = {reason.kind for reason in result.reasons}
    if kinds == {"hold"}:
        return ""
    return (
        mark("A rule could not be judged.") if "unknown" in kinds else mark("A safeguard holds it.")
    )
