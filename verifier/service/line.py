"""The line: bytes → message → facts → case → verdicts → decision → store → acknowledgement.

`Line.take` runs inside one transaction of the store. The caller sends the acknowledgement after
that transaction is committed, never before.
"""

import hashlib
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import msgspec

from verifier.facts.case import CaseRecord
from verifier.facts.extract import read_specimens
from verifier.facts.merge import identity_doubts, merge
from verifier.facts.report import SpecimenReport
from verifier.hl7.acknowledge import (
    acknowledge,
    acknowledge_unreadable,
    admission,
    codes,
    wants_ack,
)
from verifier.hl7.faults import AckFault, Unreadable
from verifier.hl7.message import Message
from verifier.language.program import Program
from verifier.service.controlling import Controls
from verifier.service.judging import Judge
from verifier.settings import Settings
from verifier.store.cases import names_of
from verifier.store.ids import new_id
from verifier.store.rows import Inbound, MessageOutcome, Receipt
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)

PATIENT_ROLES = {"", "P"}  # HL7 table 0369: blank and P are the patient's own specimen
CONTROL = "Q"


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


class Line:
    """Takes messages. Holds the settings, the rule set and the mapping of each connection.

    `alarm` says why the version of the rules that should decide does not, empty while it does.
    """

    def __init__(self, settings: Settings, program: Program, version: int | None = None) -> None:
        self.settings = settings
        self.alarm = ""
        self.use(program, version)

    def use(self, program: Program, version: int | None) -> None:
        """Judge by another rule set from the next message on; one that is being taken is not
        touched."""
        judge = Judge(self.settings, program, version)
        self._bench = judge, Controls(judge)  # replaced at once: both belong together

    @property
    def judge(self) -> Judge:
        """What judges patients' results now."""
        return self._bench[0]

    @property
    def controls(self) -> Controls:
        """What judges control results now."""
        return self._bench[1]

    def take(self, tx: Transaction, connection: str, raw: bytes, now: datetime) -> Answer:
        """Take one message and everything that follows from it, in the caller's transaction."""
        arrival = Arrival(new_id(), connection, raw, now)
        config = self.settings.connections[connection]
        try:
            message = Message.read(raw, charset=config.charset)
        except Unreadable as fault:
            return self._keep_unreadable(tx, arrival, fault)
        if refused := admission(message, config.processing):
            return self._refuse(tx, arrival, message, refused)
        reports = read_specimens(message, self.judge.maps[connection])
        self._claim(tx, connection, message, reports)
        earlier = tx.receipts(message.header.get(3), message.header.get(4), message.control_id)
        if same := _same_body(earlier, message):
            return self._answer_again(tx, arrival, message, same)
        return self._accept(tx, arrival, message, reports, reused=bool(earlier))

    def _claim(
        self,
        tx: Transaction,
        connection: str,
        message: Message,
        reports: Sequence[SpecimenReport],
    ) -> None:
        """Keep other nodes from everything this message may change, before it is read."""
        header = message.header
        names = [f"message {header.get(3)}|{header.get(4)}|{message.control_id}"]
        for report in reports:
            names += self.judge.watch.claims(report, connection)
            names += names_of(report.specimen, report.patient)
        tx.claim(*names)

    def keep_failed(
        self, tx: Transaction, connection: str, raw: bytes, why: str, now: datetime
    ) -> Answer:
        """Keep a message on which we failed: AE 207, so that the sender tries again later."""
        arrival = Arrival(new_id(), connection, raw, now)
        fault = AckFault(207, "internal error; the message is kept and a person is told")
        try:
            message = Message.read(raw, charset=self.settings.connections[connection].charset)
        except Unreadable as unreadable:
            return self._keep_unreadable(tx, arrival, unreadable)
        ack = self._ack(arrival, message, codes(message).error, (fault,))
        self._keep(tx, arrival, message, "unreadable", ack, error=why)
        return Answer(ack, "unreadable")

    def keep_fragment(
        self, tx: Transaction, connection: str, partial: bytes, why: str, now: datetime
    ) -> None:
        """Keep bytes that never became a message; they are shown and never parsed."""
        arrival = Arrival(new_id(), connection, partial, now)
        self._keep(tx, arrival, None, "unreadable", None, error=why)

    def _accept(
        self,
        tx: Transaction,
        arrival: Arrival,
        message: Message,
        reports: Sequence[SpecimenReport],
        *,
        reused: bool,
    ) -> Answer:
        judge, controls = self._bench
        mapping = judge.maps[arrival.connection]
        patients = [report for report in reports if not _is_control(report, mapping.controls)]
        outcome: MessageOutcome = "accepted" if patients or not reports else "control"
        notes = ["control id used before with other content"] * reused
        notes += ["no results in this message"] * (not reports)
        ack = self._ack(arrival, message, codes(message).accept, ())
        self._keep(tx, arrival, message, outcome, ack, note="; ".join(notes))
        for report in reports:
            if report.specimen.role == CONTROL:
                controls.take(tx, arrival.connection, arrival.id, report, arrival.now)
        for report in patients:
            self._judge(tx, judge, arrival, message, report)
        return Answer(ack if wants_ack(message, ok=True) else None, outcome)

    def _judge(
        self,
        tx: Transaction,
        judge: Judge,
        arrival: Arrival,
        message: Message,
        report: SpecimenReport,
    ) -> None:
        """One specimen: merge what is new into its case, decide, store, put out what may leave."""
        stored = tx.case_by_specimen(report.specimen.key)
        record = merge(
            stored.record if stored else None,
            report,
            connection=arrival.connection,
            message=arrival.id,
            arrived=arrival.now,
        )
        tx.claim(*names_of(record.specimen, record.patient))  # the patient may be the stored one
        if stored is None:
            record = _checked_identity(tx, record)
        judge.judge(tx, stored, record, arrival.now, arrival=(arrival.id, message))

    def _refuse(
        self, tx: Transaction, arrival: Arrival, message: Message, fault: AckFault
    ) -> Answer:
        ack = self._ack(arrival, message, codes(message).of(fault), (fault,))
        self._keep(tx, arrival, message, "rejected", ack, error=fault.text)
        return Answer(ack if wants_ack(message, ok=False) else None, "rejected")

    def _answer_again(
        self, tx: Transaction, arrival: Arrival, message: Message, receipt: Receipt
    ) -> Answer:
        tx.audit("verifier", "answered a resend from the record", f"message:{receipt.message_id}")
        tx.count("messages", arrival.connection, "resend")
        log.info(
            "%s: resend of %s answered from the record", arrival.connection, receipt.message_id
        )
        return Answer(receipt.ack if wants_ack(message, ok=True) else None, "resend")

    def _keep_unreadable(self, tx: Transaction, arrival: Arrival, fault: Unreadable) -> Answer:
        ack = acknowledge_unreadable(
            arrival.raw,
            fault.fault,
            control_id=arrival.ack_id,
            now=arrival.now,
            application=self.settings.application,
            facility=self.settings.facility,
        )
        self._keep(tx, arrival, None, "unreadable", ack, error=str(fault))
        return Answer(ack, "unreadable")

    def _ack(
        self, arrival: Arrival, message: Message, code: str, faults: tuple[AckFault, ...]
    ) -> bytes:
        return acknowledge(
            message,
            code,
            faults=faults,
            control_id=arrival.ack_id,
            now=arrival.now,
            application=self.settings.application,
            facility=self.settings.facility,
        )

    def _keep(
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


def _checked_identity(tx: Transaction, record: CaseRecord) -> CaseRecord:
    """Add the doubt that the patient of a new specimen is not who had this number before."""
    known = tx.cases_of_patient(record.patient.key, most=1) if record.patient else []
    doubts = identity_doubts(known[0].record.patient, record.patient) if known else ()
    return msgspec.structs.replace(record, doubts=(*record.doubts, *doubts)) if doubts else record


def body_hash(message: Message) -> bytes:
    """Return the SHA-256 of everything below MSH: a sender may write a new MSH-7 on a resend."""
    digest = hashlib.sha256()
    for segment in message.segments[1:]:
        digest.update(segment.text.encode("utf-8", "surrogatepass") + b"\r")
    return digest.digest()


def _same_body(receipts: list[Receipt], message: Message) -> Receipt | None:
    """Return the earlier receipt of the very same message, unless it failed inside us."""
    if not receipts:
        return None
    digest = body_hash(message)
    taken = (r for r in receipts if r.outcome in {"accepted", "control"})
    return next((receipt for receipt in taken if receipt.body_hash == digest), None)


def _is_control(report: SpecimenReport, marks: tuple[str, ...]) -> bool:
    if report.specimen.role not in PATIENT_ROLES:
        return True
    return bool(marks) and report.specimen.key.startswith(marks)
