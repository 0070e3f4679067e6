"""What is kept of everything that arrives, and the answers to it."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.hl7.acknowledge import acknowledge, acknowledge_unreadable, codes, wants_ack
from verifier.hl7.batches import Batch
from verifier.hl7.batches import answer as answer_batch
from verifier.hl7.faults import AckFault, Unreadable
from verifier.hl7.message import Message
from verifier.service.resends import body_hash
from verifier.settings import Settings
from verifier.store.ids import new_id
from verifier.store.rows import Inbound, MessageOutcome, Receipt
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Answer:
    """What to answer once the transaction is committed; None when nothing is to be sent."""

    ack: bytes | None
    outcome: str


@dataclass(frozen=True, slots=True)
class Arrival:
    """One message as it came in: its row id, connection, bytes and the instant."""

    id: int
    connection: str
    raw: bytes
    now: datetime

    @property
    def ack_id(self) -> str:
        """The control id of our acknowledgement: ours alone, at most 20 characters."""
        return f"A{self.id:X}"


class Reception:
    """Keeps messages and writes acknowledgements in the name of one laboratory."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings

    def refuse(
        self, tx: Transaction, arrival: Arrival, message: Message, fault: AckFault
    ) -> Answer:
        """Keep a message that is not taken, and answer why."""
        ack = self.ack(arrival, message, codes(message).of(fault), (fault,))
        self.keep(tx, arrival, message, "rejected", ack, error=fault.text)
        return Answer(ack if wants_ack(message, ok=False) else None, "rejected")

    def answer_again(
        self, tx: Transaction, arrival: Arrival, message: Message, receipt: Receipt
    ) -> Answer:
        """Give the answer of the first time; nothing else follows from a resend."""
        tx.audit("verifier", "answered a resend from the record", f"message:{receipt.message_id}")
        tx.count("messages", arrival.connection, "resend")
        log.info(
            "%s: resend of %s answered from the record", arrival.connection, receipt.message_id
        )
        return Answer(receipt.ack if wants_ack(message, ok=True) else None, "resend")

    def keep_unreadable(self, tx: Transaction, arrival: Arrival, fault: Unreadable) -> Answer:
        """Keep bytes that can not be read, and answer if a header can be made out."""
        ack = acknowledge_unreadable(
            arrival.raw,
            fault.fault,
            control_id=arrival.ack_id,
            now=arrival.now,
            application=self.settings.application,
            facility=self.settings.facility,
        )
        self.keep(tx, arrival, None, "unreadable", ack, error=str(fault))
        return Answer(ack, "unreadable")

    def ack(
        self, arrival: Arrival, message: Message, code: str, faults: tuple[AckFault, ...]
    ) -> bytes:
        """Return the acknowledgement of a message in the laboratory's name."""
        return acknowledge(
            message,
            code,
            faults=faults,
            control_id=arrival.ack_id,
            now=arrival.now,
            application=self.settings.application,
            facility=self.settings.facility,
        )

    def keep(
        self,
        tx: Transaction,
        arrival: Arrival,
        message: Message | None,
        outcome: MessageOutcome,
        ack: bytes | None,
        *,
        error: str = "",
        note: str = "",
    ) -> None:
        """Store what arrived with its answer, and put it in the audit log."""
        header = message.header if message else None
        tx.add_message(
            Inbound(
                id=arrival.id,
                received=arrival.now,
                connection=arrival.connection,
                application=header.get(3) if header else "",
                facility=header.get(4) if header else "",
                control_id=message.control_id if message else "",
                body_hash=body_hash(message) if message else b"",
                type=f"{message.type}^{message.event}" if message else "",
                raw=arrival.raw,
                outcome=outcome,
                ack=ack,
                error=error,
                note=note,
            )
        )
        detail = {"connection": arrival.connection, "outcome": outcome}
        if error or note:
            detail["because"] = error or note
        tx.audit("verifier", "received a message", f"message:{arrival.id}", detail)

    def keep_batch(self, tx: Transaction, connection: str, batch: Batch, now: datetime) -> None:
        """Keep what stands around the messages of a batch; a doubt about it is shown."""
        arrival = Arrival(new_id(), connection, batch.envelope, now)
        self.keep(tx, arrival, None, "accepted", None, note="; ".join(batch.doubts))

    def answer_batch(
        self, batch: Batch, acks: Sequence[bytes | None], now: datetime
    ) -> bytes | None:
        """Return the batch with the answers to its messages; None where nobody wants any."""
        if batch.messages and not any(acks):
            return None
        left = iter(acks)
        return answer_batch(
            batch,
            [[ack for ack in (next(left) for _ in part.messages) if ack] for part in batch.parts],
            control_id=f"A{new_id():X}",
            now=now,
            application=self.settings.application,
            facility=self.settings.facility,
        )
