"""Patient numbers that were merged, and the moving of everything stored to the surviving one."""

from datetime import datetime

from msgspec import Struct
from sqlalchemy import bindparam, insert, or_, select, update

from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, micros
from verifier.store.ids import new_id
from verifier.store.sql import Statement

_merge, _result = schema.patient_merge, schema.result
_standing = _merge.c.leads_to != ""

_LEADS_TO = Statement(
    select(_merge.c.leads_to)
    .where(_merge.c.prior == bindparam("prior"), _standing)
    .order_by(_merge.c.id.desc())
    .limit(1)
)
_OF_PATIENT = Statement(
    select(
        _merge.c.id, _merge.c.prior, _merge.c.surviving, _merge.c.leads_to, _merge.c.message_id,
        _merge.c.at,
    )
    .where(
        or_(_merge.c.prior == bindparam("patient"), _merge.c.leads_to == bindparam("patient"))
    )
)  # fmt: skip
_INSERT = Statement(insert(_merge))
_LEAD_ON = Statement(
    update(_merge)
    .where(_merge.c.leads_to == bindparam("prior"))
    .values(leads_to=bindparam("patient"))
)
_STANDS_AGAIN = Statement(
    update(_merge).where(_merge.c.prior == bindparam("prior"), _standing).values(leads_to="")
)
_MOVE_RESULTS = Statement(
    update(_result).where(_result.c.case_id == bindparam("case")).values(patient=bindparam("whose"))
)


class PatientMerge(Struct, frozen=True):
    """That a registry said that `prior` and `surviving` are one patient; all are patient keys.

    `leads_to` is who the prior number stands for now: further merges may have followed. It is
    empty where the prior number came to stand for a patient again.
    """

    id: int
    prior: str
    surviving: str
    leads_to: str
    message_id: int
    at: datetime


class PatientReads(Reading):
    """What can be asked about merged patients."""

    def patient_now(self, patient_key: str) -> str:
        """Return the key of the patient that a number stands for now, usually the same."""
        row = self._one(_LEADS_TO, prior=patient_key) if patient_key else None
        return patient_key if row is None else str(row[0])

    def merges_of(self, patient_key: str) -> list[PatientMerge]:
        """Return every merge of a number into another, and of others into it, oldest first."""
        return [
            PatientMerge(number, prior, surviving, leads_to, message, instant(at))
            for number, prior, surviving, leads_to, message, at in sorted(
                self._all(_OF_PATIENT, patient=patient_key)
            )
        ]


class PatientWrites(PatientReads, Writing):
    """What a registry changes about patients."""

    def add_merge(self, prior: str, surviving: str, message_id: int, at: datetime) -> str:
        """Put on record that two numbers are one patient; return the key that stands for both.

        Where the surviving number was itself merged before, that is who both are now; where it was
        merged into the very number that is now the prior one, it stands for the patient again.
        """
        end = self.patient_now(surviving)
        if end == prior:
            self._run(_STANDS_AGAIN, prior=surviving)
            end = surviving
        self._run(_STANDS_AGAIN, prior=prior)
        self._run(_LEAD_ON, prior=prior, patient=end)
        self._insert(_INSERT, new_id(), prior, surviving, end, message_id, micros(at))
        return end

    def move_results(self, case_id: int, patient_key: str) -> None:
        """Give all results of a case, also those that stand no more, to a patient."""
        self._run(_MOVE_RESULTS, case=case_id, whose=patient_key)
