"""How bad it is that a specimen waits: the order of the queue.

From worst to least, over the results that are held and still open:

5  a critical result: flag HH, LL or AA (HL7 table 0078), a rule named ``critical…``, or a rule
   that asks for a call
4  a correction of something that was already released: somebody may be acting on a wrong value
3  a rule holds it
2  a built-in safeguard holds it
1  a rule could not be judged
0  nothing is held
"""

from collections.abc import Iterable

from verifier.facts.case import CaseRecord
from verifier.facts.verdicts import Decision, Reason, ResultDecision

CRITICAL, CORRECTION, RULE, SAFEGUARD, UNKNOWN, NOTHING = 5, 4, 3, 2, 1, 0

CRITICAL_FLAGS = frozenset({"HH", "LL", "AA"})
_OF_KIND = {"hold": RULE, "suppress": RULE, "safeguard": SAFEGUARD, "unknown": UNKNOWN}


def open_results(record: CaseRecord, decision: Decision, outcome: str) -> list[ResultDecision]:
    """Return the results decided as `outcome` that nobody has settled since."""
    entries = record.entries
    return [
        result
        for result in decision.results
        if result.outcome == outcome and entries[result.entry].state == "open"
    ]


def severity(record: CaseRecord, decision: Decision, held: Iterable[ResultDecision]) -> int:
    """Return the severity of a case whose held and open results are `held`."""
    calls = {request.rule for request in decision.requests if request.what.startswith("call")}
    worst = NOTHING
    for result in held:
        worst = max(worst, _of_result(result, calls))
        if record.entries[result.entry].corrects:
            worst = max(worst, CORRECTION)
    return worst


def _of_result(result: ResultDecision, calls: set[str]) -> int:
    if result.flag in CRITICAL_FLAGS:
        return CRITICAL
    return max((_of_reason(reason, calls) for reason in result.reasons), default=SAFEGUARD)


def _of_reason(reason: Reason, calls: set[str]) -> int:
    fired = reason.kind in ("hold", "suppress")
    if fired and (reason.rule.startswith("critical") or reason.rule in calls):
        return CRITICAL
    return _OF_KIND.get(reason.kind, NOTHING)


def worst_reason(reasons: Iterable[Reason]) -> Reason | None:
    """Return the first of the worst reasons, None when there is none."""
    return max(reasons, key=lambda reason: _of_reason(reason, set()), default=None)
