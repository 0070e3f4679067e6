"""The line: bytes → message → facts → case → verdicts → decision → store → acknowledgement.

`Line.take` runs inside one transaction of the store. The caller sends the acknowledgement after
that transaction is committed, never before.
"""

import logging
from collections.abc import Sequence
from datetime import datetime

import msgspec

from verifier.facts.case import CaseRecord
from verifier.facts.extract import read_specimens
from verifier.facts.merge import identity_doubts, merge
from verifier.facts.registry import renumbered
from verifier.facts.report import SpecimenReport
from verifier.hl7.acknowledge import (
    admission,
    codes,
    wants_ack,
)
from verifier.hl7.faults import AckFault, Unreadable
from verifier.hl7.message import Message
from verifier.language.program import Program
from verifier.service.controlling import Controls
from verifier.service.desk import Answer as Answer
from verifier.service.desk import Arrival, Desk
from verifier.service.judging import Judge
from verifier.service.registering import Registrar, read_news
from verifier.service.resends import same_body
from verifier.settings import Settings
from verifier.store.cases import names_of
from verifier.store.ids import new_id
from verifier.store.rows import MessageOutcome
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)

PATIENT_ROLES = {"", "P"}  # HL7 table 0369: blank and P are the patient's own specimen
CONTROL = "Q"


class Line:
    """Takes messages. Holds the settings, the rule set and the mapping of each connection.

    `alarm` says why the version of the rules that should decide does not, empty while it does.
    """

    def __init__(self, settings: Settings, program: Program, version: int | None = None) -> None:
        self.settings, self.desk = settings, Desk(settings)
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

    def take(
        self,
        tx: Transaction,
        connection: str,
        raw: bytes,
        now: datetime,
        doubts: tuple[str, ...] = (),
    ) -> Answer:
        """Take one message and everything that follows from it, in the caller's transaction.

        `doubts` are about the batch it came in; they hold all of its results.
        """
        arrival = Arrival(new_id(), connection, raw, now)
        config = self.settings.connections[connection]
        try:
            message = Message.read(raw, charset=config.charset)
        except Unreadable as fault:
            return self.desk.keep_unreadable(tx, arrival, fault)
        if refused := admission(message, config.processing, config.takes):
            return self.desk.refuse(tx, arrival, message, refused)
        if message.type == "ADT":
            return self._register(tx, arrival, message)
        reports = read_specimens(message, self.judge.maps[connection], doubts)
        self._claim(tx, connection, message, reports)
        earlier = tx.receipts(message.header.get(3), message.header.get(4), message.control_id)
        if same := same_body(earlier, message):
            return self.desk.answer_again(tx, arrival, message, same)
        return self._accept(tx, arrival, message, _as_known(tx, reports), reused=bool(earlier))

    def _register(self, tx: Transaction, arrival: Arrival, message: Message) -> Answer:
        """Take what a patient registry says."""
        news = read_news(message)
        if isinstance(news, AckFault):
            return self.desk.refuse(tx, arrival, message, news)
        self._claim(tx, arrival.connection, message, ())
        earlier = tx.receipts(message.header.get(3), message.header.get(4), message.control_id)
        if same := same_body(earlier, message):
            return self.desk.answer_again(tx, arrival, message, same)
        ack = self.desk.ack(arrival, message, codes(message).accept, ())
        self.desk.keep(tx, arrival, message, "accepted", ack)
        Registrar(tx, self.judge, arrival.id, arrival.now).take(news)
        return Answer(ack if wants_ack(message, ok=True) else None, "accepted")

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
            return self.desk.keep_unreadable(tx, arrival, unreadable)
        ack = self.desk.ack(arrival, message, codes(message).error, (fault,))
        self.desk.keep(tx, arrival, message, "unreadable", ack, error=why)
        return Answer(ack, "unreadable")

    def keep_fragment(
        self, tx: Transaction, connection: str, partial: bytes, why: str, now: datetime
    ) -> None:
        """Keep bytes that never became a message; they are shown and never parsed."""
        arrival = Arrival(new_id(), connection, partial, now)
        self.desk.keep(tx, arrival, None, "unreadable", None, error=why)

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
        ack = self.desk.ack(arrival, message, codes(message).accept, ())
        self.desk.keep(tx, arrival, message, outcome, ack, note="; ".join(notes))
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


def _checked_identity(tx: Transaction, record: CaseRecord) -> CaseRecord:
    """Add the doubt that the patient of a new specimen is not who had this number before."""
    known = tx.cases_of_patient(record.patient.key, most=1) if record.patient else []
    doubts = identity_doubts(known[0].record.patient, record.patient) if known else ()
    return msgspec.structs.replace(record, doubts=(*record.doubts, *doubts)) if doubts else record


def _as_known(tx: Transaction, reports: Sequence[SpecimenReport]) -> list[SpecimenReport]:
    """Give each patient whose number was merged the key that stands for it now."""
    found = []
    for report in reports:
        patient = report.patient
        key = tx.patient_now(patient.key) if patient else ""
        if patient and key != patient.key:
            tx.claim(f"patient {key}")
            report = msgspec.structs.replace(report, patient=renumbered(patient, key))
        found.append(report)
    return found


def _is_control(report: SpecimenReport, marks: tuple[str, ...]) -> bool:
    if report.specimen.role not in PATIENT_ROLES:
        return True
    return bool(marks) and report.specimen.key.startswith(marks)
