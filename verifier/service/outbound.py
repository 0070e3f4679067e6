"""Which messages a decision puts into the outbox, per destination.

Each is written into the message that brought the results: the sender's own segments, with only
the results that may leave (or, where a destination takes them, held ones marked not verified).
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.facts.case import LEFT, CaseRecord, Entry
from verifier.facts.merge import GONE
from verifier.facts.verdicts import Decision, Derived
from verifier.hl7.changes import AddedObservation, Change, Header
from verifier.hl7.message import Message
from verifier.hl7.outgoing import build_report
from verifier.service.deeds import Deed
from verifier.service.leaving import leaving_now, not_verified, rejected_now, withdrawn_now
from verifier.settings import Destination, Settings
from verifier.store.ids import new_id
from verifier.store.rows import Outgoing, StoredCase
from verifier.store.transaction import Transaction


@dataclass(frozen=True, slots=True)
class Moving:
    """What leaves because of one decision: changes per message and its segments, and derived.

    `sent` are the segments of each message that left earlier.
    """

    changes: Mapping[int, Mapping[int, Change]]
    connections: Mapping[int, str]
    sent: Mapping[int, Collection[int]]
    derived: tuple[AddedObservation, ...]


class Outbound:
    """Builds and queues outgoing messages for one service."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings

    def send(
        self,
        tx: Transaction,
        case_id: int,
        stored: StoredCase | None,
        record: CaseRecord,
        decision: Decision,
        now: datetime,
        *,
        arrival: tuple[int, Message] | None = None,
        deed: Deed | None = None,
    ) -> list[int]:
        """Queue everything that leaves now; return the ids of the messages.

        A result leaves when this decision released it, when a person settled it so (`deed`), or
        when this message withdrew it after it had left.
        """
        leaving = leaving_now(stored, record, decision, deed, arrival)
        unverified = not_verified(record, decision, arrival)
        rejected = rejected_now(stored, record, deed)
        withdrawn = withdrawn_now(record, arrival)
        derived = _derived(tx, stored, decision, leaving)
        carrier = _last_sent(record) if derived else set()
        sent = []
        concerned = {*leaving, *unverified, *rejected, *withdrawn, *carrier}
        for name in self._destinations(record, concerned):
            destination = self.settings.destinations[name]
            places = dict(leaving)
            if destination.held == "send unverified":  # it has what was never released as well
                places = unverified | withdrawn | rejected | places
            elif destination.rejected == "tell all":
                places |= rejected
            if not places and not carrier:
                continue
            moving = _by_message(record, places or carrier, self.settings, name, derived)
            sent += self._queue(tx, case_id, name, destination, moving, arrival, now, deed)
        return sent

    def _destinations(self, record: CaseRecord, places: Collection[int]) -> list[str]:
        names: dict[str, None] = {}
        for place in sorted(places):
            connection = self.settings.connections.get(record.entries[place].connection)
            names |= dict.fromkeys(connection.destinations if connection else ())
        return list(names)

    def _queue(
        self,
        tx: Transaction,
        case_id: int,
        name: str,
        destination: Destination,
        moving: Moving,
        arrival: tuple[int, Message] | None,
        now: datetime,
        deed: Deed | None,
    ) -> list[int]:
        sent = []
        for message_id in sorted(moving.changes):
            number = new_id()
            control_id = control_id_of(number)
            message = self.message(tx, message_id, moving.connections[message_id], arrival)
            last = message_id == max(moving.changes)
            payload = build_report(
                message,
                keep=moving.changes[message_id],
                header=self.header(name, control_id, now),
                extra=moving.derived if last else (),
                sent=moving.sent.get(message_id, ()),
            )
            until = deed.until if deed else None
            tx.add_outbox(Outgoing(number, name, case_id, control_id, payload, now, until))
            sent.append(number)
        return sent

    def message(
        self,
        tx: Transaction,
        message_id: int,
        connection: str,
        arrival: tuple[int, Message] | None = None,
    ) -> Message:
        """Return a message as received; `arrival` is the one being taken now."""
        if arrival and arrival[0] == message_id:
            return arrival[1]
        return Message.read(
            tx.raw(message_id), charset=self.settings.connections[connection].charset
        )

    def header(self, name: str, control_id: str, now: datetime) -> Header:
        """Return what the MSH of a message to a destination says."""
        destination = self.settings.destinations[name]
        return Header(
            self.settings.application,
            self.settings.facility,
            destination.application,
            destination.facility,
            control_id,
            now,
            destination.version,
        )


def control_id_of(number: int) -> str:
    """Return the control id (MSH-10) of an outgoing message."""
    return f"V{number:X}"


def _derived(
    tx: Transaction,
    stored: StoredCase | None,
    decision: Decision,
    leaving: Mapping[int, Change],
) -> tuple[AddedObservation, ...]:
    taken_back = {act.done.decision for act in tx.acts(stored.id) if act.undone} if stored else ()
    before = (
        [d.decision for d in tx.decisions(stored.id) if d.id not in taken_back] if stored else []
    )
    withdrawing = any(change.status in GONE for change in leaving.values())
    moving = moving_derived(before, decision, withdrawing=withdrawing)
    return tuple(_added(item) for item in moving)


def _last_sent(record: CaseRecord) -> set[int]:
    """The released result whose message carries derived results that became free on their own."""
    gone = [p for p, entry in enumerate(record.entries) if _has_left(entry)]
    return {gone[-1]} if gone else set()


def _has_left(entry: Entry) -> bool:
    return entry.state in LEFT and not entry.observation.interference


def _by_message(
    record: CaseRecord,
    places: Mapping[int, Change] | Collection[int],
    settings: Settings,
    destination: str,
    derived: tuple[AddedObservation, ...],
) -> Moving:
    """Sort what leaves for one destination by the message that brought it."""
    changes: dict[int, dict[int, Change]] = {}
    connections: dict[int, str] = {}
    sent: dict[int, list[int]] = {}
    for place in places:
        entry = record.entries[place]
        connection = settings.connections.get(entry.connection)
        if connection and destination in connection.destinations:
            of_message = changes.setdefault(entry.message, {})
            if isinstance(places, Mapping):
                of_message[entry.observation.segment] = places[place]
            connections[entry.message] = entry.connection
    for place, entry in enumerate(record.entries):
        if entry.message in changes and place not in places and _has_left(entry):
            sent.setdefault(entry.message, []).append(entry.observation.segment)
    return Moving(changes, connections, sent, derived)


def moving_derived(
    before: Sequence[Decision], decision: Decision, *, withdrawing: bool
) -> list[tuple[Derived, str]]:
    """Return the derived results that leave with a decision, each with its OBX-11.

    `before` are the earlier decisions on the case. A value that had left otherwise is corrected
    (C). With `withdrawing`, one that can not be derived any more is withdrawn (W), so that it does
    not outlive its inputs.
    """
    left: dict[str, Derived] = {}
    for earlier in before:
        left |= _freed(earlier)
    moving = [
        (item, "C" if code in left else "F")
        for code, item in _freed(decision).items()
        if code not in left or left[code].text != item.text
    ]
    if withdrawing and before:
        standing = {item.code for item in before[-1].derived_values}
        standing -= {item.code for item in decision.derived_values}
        moving += [(left[code], "W") for code in sorted(standing & left.keys())]
    return moving


def _freed(decision: Decision) -> dict[str, Derived]:
    free = {result.code for result in decision.derived if result.outcome == "release"}
    return {item.code: item for item in decision.derived_values if item.code in free}


def _added(item: tuple[Derived, str]) -> AddedObservation:
    derived, status = item
    return AddedObservation(
        derived.code,
        derived.title,
        derived.system,
        derived.text,
        derived.unit,
        status=status,
        flag=derived.flag or None,
        reference=derived.reference,
        comments=derived.comments,
    )
