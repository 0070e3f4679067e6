"""What a patient registry says, applied to the cases: nothing that left leaves again.

Open results are judged anew with what is known now, and held where it is in doubt who the patient
is. Every case that changes says so in the audit log, with the message that was the cause.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Literal

import msgspec

from verifier.facts.case import CaseRecord
from verifier.facts.registry import (
    Merge,
    Number,
    Update,
    merge_doubts,
    merged,
    read_merges,
    read_update,
    updated,
)
from verifier.facts.subjects import Patient
from verifier.hl7.faults import AckFault
from verifier.hl7.message import Message
from verifier.service.judging import Judge
from verifier.store.cases import names_of
from verifier.store.rows import StoredCase
from verifier.store.transaction import Transaction

ALL = 100_000  # of the cases of one patient
News = tuple[Merge, ...] | Update
Cause = Literal["merged patient numbers", "took demographics"]


def read_news(message: Message) -> News | AckFault:
    """Return what a message of a registry says, or what is missing in it."""
    return read_merges(message) if message.event == "A40" else read_update(message)


class Registrar:
    """Applies one message of a registry, in the transaction that keeps it."""

    def __init__(self, tx: Transaction, judge: Judge, message_id: int, now: datetime) -> None:
        self._tx, self._judge, self._message, self._now = tx, judge, message_id, now

    def take(self, news: News) -> None:
        """Apply it."""
        if isinstance(news, Update):
            self._update(news)
        else:
            for merge in news:
                self._merge(merge)

    def _update(self, update: Update) -> None:
        keys = {self._tx.patient_now(key) for number in update.numbers for key in number.keys}
        for stored, known in _named(self._cases(keys)):
            patient, doubts = updated(known, update)
            if patient != known:
                self._change(stored, patient, doubts, "took demographics")

    def _merge(self, merge: Merge) -> None:
        """Move everything of the prior number, then judge what is open of the patient."""
        for prior in dict.fromkeys(self._tx.patient_now(key) for key in merge.prior.keys):
            surviving = self._surviving(merge, prior)
            if prior == surviving:
                continue
            theirs, own = _named(self._cases([prior])), _named(self._cases([surviving]))
            key = self._tx.add_merge(prior, surviving, self._message, self._now)
            known = [patient for _, patient in (*theirs[:1], *own[:1])]
            doubts = merge_doubts([*known, merge.patient])
            moved = [(stored, merged(patient, key, merge.patient)) for stored, patient in theirs]
            for stored, patient in moved:  # all of them first: each is history of the others
                self._tx.move_results(stored.id, key)
                self._tx.save_case(stored.id, _with(stored.record, patient, doubts))
            for stored, patient in [*moved, *own]:
                self._change(stored, patient, doubts, "merged patient numbers")

    def _surviving(self, merge: Merge, prior: str) -> str:
        """Return the key that survives, `prior` itself where the two are one patient already.

        A registry may turn a merge around: the number it retires now is the one that stood.
        """
        key = self._known_key(merge.surviving)
        if key == prior and prior in merge.prior.keys:
            turned = [k for k in merge.surviving.keys if self._tx.patient_now(k) == prior]
            return next((k for k in turned if k != prior), prior)
        return key

    def _known_key(self, number: Number) -> str:
        """Return the key of a patient that is known under a number, else the number itself."""
        keys = [self._tx.patient_now(key) for key in number.keys]
        known = (key for key in keys if self._tx.cases_of_patient(key, most=1))
        return next(known, keys[0])

    def _cases(self, keys: Iterable[str]) -> list[StoredCase]:
        """Return the cases of patients, newest first, claimed for this transaction."""
        self._tx.claim(*(f"patient {key}" for key in sorted(keys)))
        found = [case for key in sorted(keys) for case in self._tx.cases_of_patient(key, ALL)]
        for stored in found:
            self._tx.claim(*names_of(stored.record.specimen, stored.record.patient))
        return found

    def _change(
        self, stored: StoredCase, patient: Patient, doubts: tuple[str, ...], cause: Cause
    ) -> None:
        """Store a case with its patient as known now, and judge what is open of it."""
        tx, before = self._tx, stored.record.patient
        is_open = any(entry.state == "open" for entry in stored.record.entries)
        if not is_open and patient == before:
            return
        detail: dict[str, object] = {"message": self._message}
        if before and before.key != patient.key:
            detail |= {"from": before.key, "to": patient.key}
        tx.audit("verifier", cause, f"case:{stored.id}", detail)
        record = _with(stored.record, patient, doubts)
        if is_open:
            self._judge.judge(tx, stored, record, self._now)
        else:
            tx.save_case(stored.id, record)


def _with(record: CaseRecord, patient: Patient, doubts: tuple[str, ...]) -> CaseRecord:
    found = tuple(dict.fromkeys((*record.doubts, *doubts)))
    return msgspec.structs.replace(record, patient=patient, doubts=found)


def _named(cases: list[StoredCase]) -> list[tuple[StoredCase, Patient]]:
    return [(stored, stored.record.patient) for stored in cases if stored.record.patient]
