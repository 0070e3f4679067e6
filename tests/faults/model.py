"""What must be true after any fault, judged from what was sent, answered, stored and delivered.

Acknowledged once = stored once = decided once = delivered at least once under one control id, in
order per specimen. `Books` keeps what senders did; `judge` compares it with the database and with
what the LIS got, and returns a sentence for everything that does not balance.
"""

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.laboratory import control_id_of, result_message

from verifier.store.rows import OutgoingRow
from verifier.store.transaction import Reader

CODES = {"2951-2": "sodium", "2823-3": "potassium"}
NORMAL = {"sodium": (120, 158), "potassium": (2.8, 6.2)}  # not critical by the rules of the tests


class Told(NamedTuple):
    """One result as it stands in a message."""

    test: str
    value: str
    status: str


@dataclass
class Sent:
    """One message of a sender, and every answer it got."""

    control_id: str
    specimen: str
    result: Told
    raw: bytes
    answers: list[bytes] = field(default_factory=list)

    @property
    def acknowledged(self) -> bool:
        return any(f"MSA|AA|{self.control_id}".encode() in answer for answer in self.answers)


@dataclass
class Books:
    """Everything senders sent. Messages of one specimen are noted in the order they were sent; a
    specimen in `ordered` had each of them acknowledged before the next one was sent."""

    sent: dict[str, Sent] = field(default_factory=dict)
    ordered: set[str] = field(default_factory=set)
    _gate: threading.Lock = field(default_factory=threading.Lock)

    def write(
        self, control_id: str, specimen: str, test: str, value: str, status: str = "F"
    ) -> Sent:
        raw = result_message(
            control_id,
            specimen=specimen,
            patient=f"P-{specimen}",
            results={test: value},
            status=status,
        )
        with self._gate:
            made = Sent(control_id, specimen, Told(test, value, status), raw)
            self.sent[control_id] = made
        return made

    @property
    def acknowledged(self) -> int:
        with self._gate:
            return sum(sent.acknowledged for sent in self.sent.values())

    def specimens(self) -> dict[str, list[Sent]]:
        found: dict[str, list[Sent]] = {}
        for sent in list(self.sent.values()):
            found.setdefault(sent.specimen, []).append(sent)
        return found


def results_in(message: bytes) -> list[Told]:
    """Return the results of a message the LIS got."""
    lines = [line.split("|") for line in message.decode().split("\r")]
    return [Told(CODES[f[3].split("^")[0]], f[5], f[11]) for f in lines if f[0] == "OBX"]


def expected(told: Sequence[Told]) -> list[Told]:
    """Return what leaves of the results of one specimen, taken in this order.

    A critical value waits for a person, as do the correction of a value that has left, a
    correction of nothing, and a second final value that is none. A withdrawal of what has left is
    passed on at once. A correction of what was sent before and never left is a first value; the
    same once more is nothing new.
    """
    leaving: list[Told] = []
    has_left: set[str] = set()
    standing: dict[str, Told] = {}
    for one in told:
        before = standing.get(one.test)
        standing[one.test] = one
        low, high = NORMAL[one.test]
        if one.status == "W":
            if one.test in has_left and before and before.status != "W":
                leaving.append(one)
            continue
        fits = before is None or before.status == "W" if one.status == "F" else before is not None
        if fits and one != before and one.test not in has_left and low <= float(one.value) <= high:
            leaving.append(one._replace(status="F"))
            has_left.add(one.test)
    return leaving


def judge(reader: Reader, books: Books, received: Sequence[bytes], *, nodes: int = 1) -> list[str]:
    """Return what does not balance, once nothing is waiting any more.

    One node keeps the order of everything, several keep that of each specimen.
    """
    at_lis: dict[str, bytes] = {}
    problems = []
    for message in received:
        name = control_id_of(message)
        if at_lis.setdefault(name, message) != message:
            problems.append(f"{name}: one control id, two contents")
    queued: dict[str, OutgoingRow] = {}
    for specimen, messages in books.specimens().items():
        problems += _specimen(reader, specimen, messages, queued, specimen in books.ordered)
    problems += [f"{name}: delivered, but never queued" for name in at_lis if name not in queued]
    problems += list(_deliveries(queued, at_lis, nodes))
    return problems


def _specimen(
    reader: Reader,
    specimen: str,
    messages: list[Sent],
    queued: dict[str, OutgoingRow],
    ordered: bool,
) -> Iterator[str]:
    """Sent → stored → decided → queued."""
    stored: dict[int, Sent] = {}
    for sent in messages:
        receipts = reader.receipts("ANALYZER", "LAB", sent.control_id)
        accepted = [one for one in receipts if one.outcome == "accepted"]
        if len(accepted) > 1 or (sent.acknowledged and not accepted):
            yield f"{sent.control_id}: acknowledged {sent.acknowledged}, stored {len(accepted)}"
        if accepted and set(sent.answers) - {accepted[0].ack}:
            yield f"{sent.control_id}: an answer that is not the stored one"
        stored |= {one.message_id: sent for one in accepted}
    if not stored:
        return
    case = reader.case_by_specimen(specimen)
    if case is None:
        yield f"{specimen}: stored and no case"
        return
    decided = [one.message_id for one in reader.decisions(case.id) if one.message_id]
    if sorted(decided) != sorted(stored):
        yield f"{specimen}: {len(stored)} messages stored, {len(decided)} decisions on messages"
    if ordered and list(stored) != sorted(stored):
        yield f"{specimen}: stored in another order than sent"
    outgoing = reader.outgoing_of_case(case.id)
    queued |= {row.control_id: row for row in outgoing}
    leaving = expected([stored[number].result for number in sorted(stored)])
    if (left := [told for row in outgoing for told in results_in(row.payload)]) != leaving:
        yield f"{specimen}: leaving should {leaving}, left {left}"


def _deliveries(
    queued: dict[str, OutgoingRow], at_lis: dict[str, bytes], nodes: int
) -> Iterator[str]:
    """Queued → delivered, each at least once, first arrivals in the order they were queued."""
    for name, row in queued.items():
        if row.status not in ("sent", "rejected"):
            yield f"{name}: {row.status} at the end"
        if at_lis.get(name) != row.payload:
            yield f"{name}: {'other content at the LIS' if name in at_lis else 'not delivered'}"
    arrived: dict[int, list[int]] = {}
    for row in (queued[name] for name in at_lis if name in queued):
        arrived.setdefault(row.case_id if nodes > 1 else 0, []).append(row.id)
    if any(ids != sorted(ids) for ids in arrived.values()):
        yield "the LIS got messages in another order than they were queued"
