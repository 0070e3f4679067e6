"""After the release: correcting what has left, and taking back what has not left yet."""

from datetime import datetime

import msgspec

from verifier.decide.decide import decide
from verifier.errors import RefusedError
from verifier.facts.case import LEFT, CaseRecord, Entry
from verifier.facts.values import Unreadable
from verifier.facts.verdicts import Decision, ResultDecision
from verifier.service.deeds import Deed, Said
from verifier.service.judging import Judge
from verifier.service.opening import open_calls
from verifier.service.settling import seen_case, settle, sign
from verifier.store.actrows import ActRow, Done
from verifier.store.rows import Person, StoredCase
from verifier.store.transaction import Reader, Transaction

CORRECTS = {"pathologist"}


def correct(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    place: int,
    value: str,
    reason: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> None:
    """Replace a value that has left, in the unit it was sent with; the LIS gets a correction (C).

    What had left stays on record. The new value is judged as any other would be, for its flag, its
    comments and whether somebody is to be called; that a person vouches for it releases it.

    Raises:
        RefusedError: the role may not, no reason, the result has not left, or the value can not be
            read or is the old one.
    """
    stored, entry = _left(tx, who, case_id, place, reason, expected)
    text = value.strip()
    if not text or text == entry.observation.text:
        raise RefusedError("Give the value that is right; it is the one that has left.")
    record = _with(stored.record, place, entry, text)
    new = len(record.entries) - 1
    decision = _judged(tx, judge, stored, record, now)
    verdict = next(item for item in decision.results if item.entry == new)
    said = _said(verdict, reason)
    done = Done(
        (new,), (entry.observation.code,), (reason.strip(),),
        before=entry.observation.text or "", after=text,
    )  # fmt: skip
    deed = Deed("correct", who.name, {new: msgspec.structs.replace(said, value=text)}, done)
    sign(tx, who, "corrected", stored, deed)
    judge.judge(tx, stored, settle(record, [new], "released", who.name), now, deed=deed)
    open_calls(tx, judge.settings.calls, case_id, record, decision, now)


def withdraw(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    place: int,
    reason: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> None:
    """Declare a value that has left wrong, without another; the LIS is told (W).

    Raises:
        RefusedError: the role may not, no reason, or the result has not left.
    """
    stored, entry = _left(tx, who, case_id, place, reason, expected)
    done = Done(
        (place,), (entry.observation.code,), (reason.strip(),), before=entry.observation.text or ""
    )
    said = Said(comments=(reason.strip(),), status="W")
    deed = Deed("withdraw", who.name, {place: said}, done)
    sign(tx, who, "withdrew", stored, deed)
    judge.judge(tx, stored, settle(stored.record, [place], "withdrawn", who.name), now, deed=deed)


def last_act(reader: Reader, stored: StoredCase, now: datetime, seconds: float) -> ActRow | None:
    """Return the act on a case that can still be taken back, None if there is none.

    Nothing may have happened to the case since, and none of its messages may have left.
    """
    acts = reader.acts(stored.id)
    last = acts[-1] if acts else None
    if last is None or last.undone or last.what in ("correct", "withdraw"):
        return None
    if last.done.version != stored.version or (now - last.at).total_seconds() >= seconds:
        return None
    rows = [reader.outgoing(number) for number in last.done.outgoing]
    kept = all(row and row.status == "waiting" and not row.attempts for row in rows)
    return last if kept else None


def undo(tx: Transaction, judge: Judge, who: Person, case_id: int, now: datetime) -> None:
    """Take back the last act on a case before its messages leave; both stay on record.

    What the same decision released by rules is judged again with it.

    Raises:
        RefusedError: somebody else did it, it has left, or the case has changed since.
    """
    stored = seen_case(tx, case_id, None)
    act = last_act(tx, stored, now, judge.settings.acts.undo_seconds)
    if act is None:
        raise RefusedError(
            "It can not be taken back any more: it has left, or the specimen has changed since. "
            "A pathologist can correct what has left."
        )
    if act.who != who.name:
        raise RefusedError("Only %(who)s, who did it, can take it back.", who=act.who)
    if not all(tx.take_back(number) for number in act.done.outgoing):
        raise RefusedError("It has just left. A pathologist can correct it.")
    tx.undo_act(act.id, who.name, now)
    freed = (
        [r.entry for r in stored.decision.results if r.outcome == "release"]
        if stored.decision
        else []
    )
    record = settle(stored.record, [*act.done.places, *freed], "open", "")
    detail = {"act": act.what, "results": list(act.done.codes), "at": act.at.isoformat()}
    tx.audit(who.name, "took back", f"case:{case_id}", detail)
    judge.judge(tx, stored, record, now, who=who.name)


def _left(
    tx: Transaction, who: Person, case_id: int, place: int, reason: str, expected: int | None
) -> tuple[StoredCase, Entry]:
    if who.role not in CORRECTS:
        raise RefusedError("What has left is corrected by a pathologist.")
    if not reason.strip():
        raise RefusedError("Say why it is corrected; the LIS is told as well.")
    stored = seen_case(tx, case_id, expected)
    entries = stored.record.entries
    if not 0 <= place < len(entries) or entries[place].state not in LEFT:
        raise RefusedError("This result has not left; settle it on the queue.")
    if entries[place].observation.interference:
        raise RefusedError("This index was never sent on; there is nothing to correct.")
    return stored, entries[place]


def _with(record: CaseRecord, place: int, entry: Entry, text: str) -> CaseRecord:
    """Return the record with another value in place of one, open as if it had just come."""
    seen = entry.observation
    said = f"{seen.text or ''} {seen.unit}".strip()
    after = msgspec.structs.replace(
        entry,
        observation=msgspec.structs.replace(
            seen, text=text, status="C", null=False, repeats=1, flags=()
        ),
        state="open", settled_by="", doubts=(), previous=said, corrects=True, bracket="",
    )  # fmt: skip
    old = settle(record, [place], "superseded", entry.settled_by)
    return msgspec.structs.replace(old, entries=(*old.entries, after))


def _judged(
    tx: Transaction, judge: Judge, stored: StoredCase, record: CaseRecord, now: datetime
) -> Decision:
    """Return what would be decided if the new value were held like any other."""
    case = judge.case_of(tx, record, now, stored.id)
    new = next(result for result in case.results if result.entry == len(record.entries) - 1)
    if isinstance(new.value, Unreadable):
        raise RefusedError("The value can not be read: %(why)s.", why=new.value.why)
    return decide(case, judge.program)


def _said(verdict: ResultDecision, reason: str) -> Said:
    comments = (*verdict.comments, reason.strip())
    return Said(comments=comments, status="C", flag=verdict.flag)
