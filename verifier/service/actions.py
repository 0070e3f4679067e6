"""What people do: each action checks role and state, and is stored, signed and sent in one
transaction of the caller."""

from collections.abc import Collection
from datetime import datetime

import msgspec

from verifier.errors import RefusedError
from verifier.facts.case import CaseRecord, Control, State
from verifier.service.judging import Judge
from verifier.service.reviewing import list_released
from verifier.store.rows import Person, Scope, StoredCase
from verifier.store.transaction import Transaction

SETTLES = {"technologist", "pathologist"}  # an administrator keeps rules and people, not results


def release(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    entries: Collection[int],
    comment: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> None:
    """Release held results on a person's word; they leave with `comment` as a note.

    Those of a test that is out of control are listed to be looked into.

    Args:
        tx: the transaction.
        judge: the rules and settings in use.
        who: the person who signs.
        case_id: the case.
        entries: places of the results in the case record.
        comment: free text sent with the results; may be empty.
        now: the instant of signing.
        expected: the version of the case the person has seen.

    Raises:
        RefusedError: the role may not, or a result is not open any more.
    """
    stored = _open_case(tx, who, case_id, entries, expected)
    out = list_released(tx, judge, stored, entries, now)
    record = _settle(stored.record, entries, "released", who.name)
    _sign(tx, who, "released", stored, entries, comment, out)
    judge.judge(tx, stored, record, now, settled=entries, comment=comment, who=who.name)


def reject(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    entries: Collection[int],
    comment: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> None:
    """Reject held results: they never leave. A reason must be given.

    Raises:
        RefusedError: no reason, the role may not, or a result is not open any more.
    """
    if not comment.strip():
        raise RefusedError("Say why the results are rejected; the record must show it.")
    stored = _open_case(tx, who, case_id, entries, expected)
    record = _settle(stored.record, entries, "rejected", who.name)
    _sign(tx, who, "rejected", stored, entries, comment)
    judge.judge(tx, stored, record, now, who=who.name)


def ask_new_specimen(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    comment: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> None:
    """Reject everything still open of a specimen and put a request for a new one on record.

    Raises:
        RefusedError: no reason, the role may not, or nothing is open any more.
    """
    stored = tx.claim_case(case_id)
    places = open_entries(stored.record) if stored else []
    _sign_request(tx, who, case_id, comment)
    reject(tx, judge, who, case_id, places, comment, now, expected=expected)


def suspend(
    tx: Transaction, who: str, scope: Scope, subject: str, reason: str, now: datetime
) -> int:
    """Stop automatic release for all, a test or a connection; return the suspension's id.

    Raises:
        RefusedError: no reason given.
    """
    if not reason.strip():
        raise RefusedError("Say why release is suspended; the record must show it.")
    number = tx.suspend(scope, subject, reason.strip(), who, now)
    detail = {"scope": scope, "subject": subject, "reason": reason.strip()}
    tx.audit(who, "suspended automatic release", f"suspension:{number}", detail)
    return number


def resume(tx: Transaction, who: str, suspension_id: int) -> None:
    """End a suspension. What it held stays held until a person settles it.

    Raises:
        RefusedError: the suspension does not stand any more.
    """
    if not tx.resume(suspension_id, who):
        raise RefusedError("This suspension has already ended.")
    tx.audit(who, "resumed automatic release", f"suspension:{suspension_id}")


def set_control(
    tx: Transaction,
    who: Person,
    test: str,
    state: Control,
    note: str,
    now: datetime,
    analyzer: str = "",
) -> None:
    """Record the control state of a test; results arriving from now on are judged by it.

    It is that on one analyzer, or on every one when none is named.

    Raises:
        RefusedError: the role may not.
    """
    _may_settle(who)
    tx.set_control_state(test, state, who.name, note, analyzer)
    detail = {"state": state, "analyzer": analyzer, "note": note}
    tx.audit(who.name, "recorded a control state", f"control:{test}", detail)


def open_entries(record: CaseRecord) -> list[int]:
    """Return the places of the results of a case that nobody has settled."""
    return [place for place, entry in enumerate(record.entries) if entry.state == "open"]


def _may_settle(who: Person) -> None:
    if who.role not in SETTLES:
        raise RefusedError(
            "Results are settled by a technologist or a pathologist; an administrator may not."
        )


def _open_case(
    tx: Transaction, who: Person, case_id: int, entries: Collection[int], expected: int | None
) -> StoredCase:
    _may_settle(who)
    stored = tx.claim_case(case_id)
    if stored is None:
        raise RefusedError("There is no such specimen.")
    if not entries:
        raise RefusedError("Choose at least one result.")
    if expected is not None and stored.version != expected:
        raise RefusedError("This specimen was changed meanwhile. Look at it again before you act.")
    known = stored.record.entries
    if any(not 0 <= place < len(known) or known[place].state != "open" for place in entries):
        raise RefusedError("A result was settled meanwhile. Look at the specimen again.")
    return stored


def _settle(record: CaseRecord, entries: Collection[int], state: State, name: str) -> CaseRecord:
    return msgspec.structs.replace(
        record,
        entries=tuple(
            msgspec.structs.replace(entry, state=state, settled_by=name)
            if place in entries
            else entry
            for place, entry in enumerate(record.entries)
        ),
    )


def _sign(
    tx: Transaction,
    who: Person,
    what: str,
    stored: StoredCase,
    entries: Collection[int],
    comment: str,
    out_of_control: Collection[str] = (),
) -> None:
    known = stored.record.entries
    detail = {
        "role": who.role,
        "results": [known[place].observation.code for place in sorted(entries)],
        "places": sorted(entries),
        "comment": comment,
        "version seen": stored.version,
    }
    if out_of_control:
        detail["out of control"] = list(out_of_control)
    tx.audit(who.name, what, f"case:{stored.id}", detail)


def _sign_request(tx: Transaction, who: Person, case_id: int, comment: str) -> None:
    _may_settle(who)
    detail = {"role": who.role, "comment": comment}
    tx.audit(who.name, "asked for a new specimen", f"case:{case_id}", detail)
