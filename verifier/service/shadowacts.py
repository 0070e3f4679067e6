"""Starting, ending and reading shadow runs."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial

from verifier import clock as clocks
from verifier.assurance.replay_count import Judged, Tally
from verifier.assurance.replaying import Replay, Stretch
from verifier.errors import RefusedError, StoreError
from verifier.facts.case import Case
from verifier.service.candidates import Candidate
from verifier.store.past import CASES_AT_ONCE, PastDecision
from verifier.store.shadows import Shadow
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

LIVE = "the live decisions"
Progress = Callable[[int, int], None]


def start(tx: Transaction, who: str, candidate: Candidate, identity: str) -> int:
    """Let a candidate judge every decision from now on beside; return the number of the run.

    `identity` is that of the compiled candidate: compile it before, outside the transaction.

    Raises:
        RefusedError: another one is running.
    """
    tx.claim("shadow")
    if running := tx.running_shadow():
        raise RefusedError(
            "Shadow run %(id)s (%(name)s) is running; stop it first.",
            id=running.id,
            name=running.name,
        )
    number = tx.start_shadow(candidate.name, candidate.version, candidate.texts, identity, who)
    detail = {"candidate": candidate.name, "hash": candidate.texts.hash, "rule set": identity}
    tx.audit(who, "started a shadow run", f"shadow:{number}", detail)
    return number


def stop(tx: Transaction, who: str) -> int:
    """End the shadow run that is running; return its number.

    Raises:
        RefusedError: none is running.
    """
    tx.claim("shadow")
    running = tx.running_shadow()
    if running is None or not tx.end_shadow(running.id, who):
        raise RefusedError("No shadow run is running.")
    tx.audit(who, "stopped a shadow run", f"shadow:{running.id}")
    return running.id


def report(
    store: Store,
    shadow: Shadow,
    *,
    most: int = 200,
    progress: Progress = lambda done, of: None,
) -> Replay:
    """Return what a shadow run found so far, in the form of a replay."""
    stretch = Stretch(shadow.started, shadow.ended)
    cases, decisions = store.read(lambda reader: reader.shadowed_cases(shadow))
    tally = Tally(stretch, most)
    for at in range(0, len(cases), CASES_AT_ONCE):
        piece = cases[at : at + CASES_AT_ONCE]
        store.read(partial(_count, tally=tally, shadow=shadow, cases=piece))
        progress(tally.counts.decisions + tally.counts.without_facts, decisions)
    changes, left_out = tally.worst()
    return Replay(
        candidate=shadow.name,
        candidate_identity=shadow.identity,
        against=LIVE,
        against_identity="",
        stretch=stretch,
        made=clocks.now(),
        counts=tally.counts,
        changes=changes,
        left_out=left_out,
        cautions=(f"The shadow run does not get on: {shadow.trouble}",) if shadow.trouble else (),
    )


def _count(reader: Reader, tally: Tally, shadow: Shadow, cases: Sequence[int]) -> None:
    """Count some cases: what was decided, and what the candidate said where it is not the same."""
    for case_id, rows in reader.past(cases, None, None):
        beside = reader.beside(shadow.id, case_id)
        judged = []
        for row in rows:
            if not shadow.first < row.id <= shadow.last:
                continue
            facts, other = _facts(row), beside.get(row.id)
            if facts is None:
                tally.counts.without_facts += 1
                continue
            before = row.decision()
            after = other.decision if other else before
            failure = other.failure if other else ""
            judged.append(Judged(row.id, facts, before, after, failure))
        if judged:
            tally.take(case_id, judged, partial(reader.record, case_id))


def _facts(row: PastDecision) -> Case | None:
    with suppress(StoreError):  # on record as a failure of the run
        return row.case()
    return None
