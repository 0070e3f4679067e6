"""What two rule sets say of a result, as a replay compares and shows it."""

from collections.abc import Iterable

from msgspec.structs import replace

from verifier.assurance.replay_rank import CRITICAL_FLAGS
from verifier.assurance.replaying import Said, Side
from verifier.facts.verdicts import Decision, Request, ResultDecision

_CALL = "call"


def sides_of(
    was: ResultDecision | None, now: ResultDecision | None, before: Decision, after: Decision | None
) -> tuple[Side, Side]:
    """Return what both say of a result; evidence that no sentence shows is left out."""
    old = _side(was, before.requests)
    new = _side(now, after.requests if after else ())
    if was and now and (was.value, was.unit) != (now.value, now.unit):
        return replace(old, shown=_shown(was)), replace(new, shown=_shown(now))
    return old, new


def failed(failure: str) -> Side:
    """Return what stands for a candidate that could not judge."""
    return Side("hold", reasons=(Said("", "unknown", f"the candidate failed: {failure}"),))


def urgent(side: Side) -> frozenset[str]:
    """Return in which ways a side makes a result urgent: by its flag, by a call."""
    called = {_CALL for what in side.asked if what.split()[0] == _CALL}
    return frozenset(called | ({"flag"} if side.flag in CRITICAL_FLAGS else set()))


def _side(item: ResultDecision | None, requests: Iterable[Request]) -> Side:
    if item is None:
        return Side("absent")
    said = tuple(Said(reason.rule, reason.kind, reason.text) for reason in item.reasons)
    asked = (
        f"{request.what} {request.detail}".strip()
        for request in requests
        if item.test in request.tests or not request.tests
    )
    return Side(
        item.outcome, item.flag, said, item.comments, item.reference, item.instead,
        tuple(dict.fromkeys(asked)),
    )  # fmt: skip


def _shown(item: ResultDecision) -> str:
    return f"{item.value} {item.unit}".strip()
