"""What people do: each action checks role and state, and is stored, signed and sent in one
transaction of the caller."""

from collections.abc import Collection
from datetime import datetime, timedelta

from verifier.errors import RefusedError
from verifier.facts.case import Control
from verifier.service.deeds import Deed, Said
from verifier.service.judging import Judge
from verifier.service.reviewing import list_released
from verifier.service.settling import (
    NO_WORDS,
    Words,
    held_by,
    may_settle,
    open_case,
    serious,
    settle,
    sign,
    texts,
)
from verifier.store.actrows import ActKind, Done
from verifier.store.rows import Person, Scope, StoredCase
from verifier.store.transaction import Transaction


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
    words: Words = NO_WORDS,
) -> None:
    """Release held results on a person's word; they leave with `comment` as a note.

    Those of a test that is out of control are listed to be looked into. For `acts.undo_seconds`
    they are kept back, and can be taken back.

    Args:
        tx: the transaction.
        judge: the rules and settings in use.
        who: the person who signs.
        case_id: the case.
        entries: places of the results in the case record.
        comment: free text sent with the results; may be empty.
        now: the instant of signing.
        expected: the version of the case the person has seen.
        words: comments by code, and why what a rule held is let go.

    Raises:
        RefusedError: the role may not, a result is not open any more, a call has to come first, or
            a code is not one of the settings.
    """
    stored = open_case(tx, who, case_id, entries, expected)
    _check_called(tx, judge, stored, entries)
    said = Said(comments=texts(judge, words, comment))
    out = list_released(tx, judge, stored, entries, now)
    if not words.signed and (out or serious(stored, entries)):
        raise RefusedError("Critical and out-of-control results are released with your password.")
    deed = _deed(judge, stored, who, "release", dict.fromkeys(entries, said), words, now)
    record = settle(stored.record, entries, "released", who.name)
    sign(tx, who, "released", stored, deed, out)
    judge.judge(tx, stored, record, now, deed=deed)


def suppress(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    entries: Collection[int],
    comment: str,
    now: datetime,
    *,
    expected: int | None = None,
    words: Words = NO_WORDS,
) -> None:
    """Let words leave in place of values, with a comment; the values count for nothing any more.

    Raises:
        RefusedError: no comment, the role may not, a result is not open any more, or a code is not
            one of the settings.
    """
    comments = texts(judge, words, comment)
    if not comments:
        raise RefusedError("Say with a comment why no value is reported.")
    stored = open_case(tx, who, case_id, entries, expected)
    said = Said(comments=comments, words=judge.settings.acts.words)
    deed = _deed(judge, stored, who, "suppress", dict.fromkeys(entries, said), words, now)
    record = settle(stored.record, entries, "suppressed", who.name)
    sign(tx, who, "suppressed", stored, deed)
    judge.judge(tx, stored, record, now, deed=deed)


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
    words: Words = NO_WORDS,
) -> None:
    """Reject held results: their values never leave. A reason must be given.

    Destinations that had them as not verified, or are to be told of all, are told that no result
    can be had. Calls that nobody has made yet are not needed any more.

    Raises:
        RefusedError: no reason, the role may not, or a result is not open any more.
    """
    comments = texts(judge, words, comment)
    if not comments:
        raise RefusedError("Say why the results are rejected; the record must show it.")
    stored = open_case(tx, who, case_id, entries, expected)
    said = Said(comments=comments, status="X")
    deed = _deed(judge, stored, who, "reject", dict.fromkeys(entries, said), words, now)
    record = settle(stored.record, entries, "rejected", who.name)
    sign(tx, who, "rejected", stored, deed)
    for call in tx.calls_of_case(case_id):
        if call.state == "open" and call.entry in entries:
            tx.close_call(call.id, "not needed", who.name, now, note="the result was rejected")
    judge.judge(tx, stored, record, now, deed=deed)


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
    may_settle(who)
    tx.set_control_state(test, state, who.name, note, analyzer)
    detail = {"state": state, "analyzer": analyzer, "note": note}
    tx.audit(who.name, "recorded a control state", f"control:{test}", detail)


def _check_called(
    tx: Transaction, judge: Judge, stored: StoredCase, entries: Collection[int]
) -> None:
    if judge.settings.calls.when != "before release":
        return
    left = [c for c in tx.calls_of_case(stored.id) if c.state == "open" and c.entry in entries]
    if left:
        raise RefusedError(
            "Call first, then release: %(title)s %(value)s is open.",
            title=left[0].title,
            value=left[0].value,
        )


def _deed(
    judge: Judge,
    stored: StoredCase,
    who: Person,
    kind: ActKind,
    settled: dict[int, Said],
    words: Words,
    now: datetime,
) -> Deed:
    acts = judge.settings.acts
    if words.reason and words.reason not in {coded.code for coded in acts.reasons}:
        raise RefusedError("There is no reason with the code %(reason)s.", reason=words.reason)
    known = stored.record.entries
    done = Done(
        places=tuple(sorted(settled)),
        codes=tuple(known[place].observation.code for place in sorted(settled)),
        comments=next(iter(settled.values())).comments,
        reason=words.reason,
        why=words.why.strip(),
        rules=held_by(stored, settled),
    )
    until = now + timedelta(seconds=acts.undo_seconds) if acts.undo_seconds else None
    return Deed(kind, who.name, settled, done, until)
