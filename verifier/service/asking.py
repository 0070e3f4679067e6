"""Asking for a measurement again, with dilution, or for a new specimen."""

from collections.abc import Collection
from datetime import datetime

from verifier.errors import RefusedError
from verifier.facts.case import CaseRecord
from verifier.facts.report import SpecimenReport
from verifier.hl7.orders import build_order
from verifier.service.actions import reject
from verifier.service.judging import Judge
from verifier.service.outbound import control_id_of
from verifier.service.settling import (
    NO_WORDS,
    Words,
    may_settle,
    open_case,
    open_entries,
    seen_case,
)
from verifier.store.actrows import Asked, WorkRequest
from verifier.store.ids import new_id
from verifier.store.rows import Outgoing, Person, StoredCase
from verifier.store.transaction import Transaction

ANALYZER_DOES: tuple[Asked, ...] = ("rerun", "dilution")


def ask(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    what: Asked,
    entries: Collection[int],
    comment: str,
    now: datetime,
    *,
    expected: int | None = None,
) -> None:
    """Ask for results to be measured again; they stay held until something is done with them.

    Where the connection names a destination for requests an order goes there; the list of requests
    shows it in any case.

    Raises:
        RefusedError: the role may not, or a result is not open any more.
    """
    stored = open_case(tx, who, case_id, entries, expected)
    _ask(tx, judge, who, stored, what, entries, comment, now)


def ask_new_specimen(
    tx: Transaction,
    judge: Judge,
    who: Person,
    case_id: int,
    comment: str,
    now: datetime,
    *,
    expected: int | None = None,
    words: Words = NO_WORDS,
) -> None:
    """Reject everything still open of a specimen and ask for a new one.

    Raises:
        RefusedError: no reason, the role may not, or nothing is open any more.
    """
    may_settle(who)
    stored = seen_case(tx, case_id, expected)
    places = open_entries(stored.record)
    if places:
        _ask(tx, judge, who, stored, "new specimen", places, comment, now)
    reject(tx, judge, who, case_id, places, comment, now, expected=expected, words=words)


def close_request(
    tx: Transaction, who: Person, number: int, note: str, now: datetime, *, came: bool
) -> None:
    """Close a request by hand: it came, or it is called off, which needs a reason.

    Raises:
        RefusedError: the role may not, no reason, or it is not open any more.
    """
    may_settle(who)
    if not came and not note.strip():
        raise RefusedError("Say why the request is called off.")
    row = tx.request(number)
    if row is None or not tx.close_request(
        number, "done" if came else "cancelled", who.name, note.strip(), now
    ):
        raise RefusedError("This request is not open any more.")
    did = "closed a request" if came else "called off a request"
    detail = {"asked for": row.what, "results": list(row.tests), "note": note.strip()}
    tx.audit(who.name, did, f"case:{row.case_id}", detail)


def close_arrived(
    tx: Transaction, report: SpecimenReport, record: CaseRecord, now: datetime
) -> None:
    """Close the requests that a message has fulfilled.

    Measured again: the same specimen brings every test asked for, be the values as before. A new
    specimen: another one of the same patient does.
    """
    patient = record.patient.key if record.patient else ""
    for row in tx.open_requests_of(patient):
        again = row.what in ANALYZER_DOES
        same = row.specimen == report.specimen.key
        if again is not same or not (patient or same):
            continue
        came = {observation.code for observation in report.observations}
        came |= {e.observation.code for e in record.entries if e.arrived > row.at}
        if came.issuperset(row.tests):
            tx.close_request(row.id, "done", "verifier", "the results came", now)
            detail = {"asked for": row.what, "results": list(row.tests)}
            tx.audit("verifier", "closed a request", f"case:{row.case_id}", detail)


def _ask(
    tx: Transaction,
    judge: Judge,
    who: Person,
    stored: StoredCase,
    what: Asked,
    entries: Collection[int],
    comment: str,
    now: datetime,
) -> None:
    known, patient = stored.record.entries, stored.record.patient
    number = new_id()
    codes = tuple(dict.fromkeys(known[place].observation.code for place in sorted(entries)))
    sent = _order(tx, judge, stored, what, entries, comment.strip(), number, now)
    row = WorkRequest(
        number, stored.id, patient.key if patient else "", stored.record.specimen.key, what,
        codes, comment.strip(), who.name, now, ", ".join(sent),
    )  # fmt: skip
    tx.add_request(row)
    detail = {
        "role": who.role, "results": list(codes), "comment": row.comment, "sent to": sent
    }  # fmt: skip
    tx.audit(who.name, f"asked for a {what}", f"case:{stored.id}", detail)


def _order(
    tx: Transaction,
    judge: Judge,
    stored: StoredCase,
    what: Asked,
    entries: Collection[int],
    comment: str,
    number: int,
    now: datetime,
) -> list[str]:
    """Queue an order per result where the connection takes them; return where they go."""
    sent: dict[str, None] = {}
    for count, place in enumerate(sorted(entries), 1):
        entry = stored.record.entries[place]
        connection = judge.settings.connections.get(entry.connection)
        if not connection or connection.requests == "list" or entry.observation.interference:
            continue
        destination, own = connection.requests, new_id()
        payload = build_order(
            judge.outbound.message(tx, entry.message, entry.connection),
            wanted=what,
            place=entry.observation.segment,
            number=f"{number:X}-{count}",
            header=judge.outbound.header(destination, control_id_of(own), now),
            comment=comment,
        )
        tx.add_outbox(Outgoing(own, destination, stored.id, control_id_of(own), payload, now))
        sent[destination] = None
    return list(sent)
