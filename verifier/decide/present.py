"""The fixed form in which scripts read a decision."""

from typing import Any

from verifier.facts.case import Case
from verifier.facts.verdicts import Decision, ResultDecision


def specimen_json(case: Case, decision: Decision) -> dict[str, Any]:
    """Return the decision on one specimen as plain data.

    Values are text, so that the digits of the sender are kept.
    """
    return {
        "specimen": case.specimen.key,
        "patient": case.patient.key if case.patient else "",
        "results": [_result(item) for item in (*decision.results, *decision.derived)],
    }


def _result(item: ResultDecision) -> dict[str, Any]:
    return {
        "test": item.test,
        "code": item.code,
        "value": item.value,
        "unit": item.unit,
        "decision": item.outcome,
        "flag": item.flag,
        "reasons": [
            {"rule": reason.rule, "kind": reason.kind, "text": reason.text}
            for reason in item.reasons
        ],
        "comments": list(item.comments),
    }
