"""Who saw which patient, and whom a person saw: both read from the audit log.

Whatever a person looked at or did with a specimen, a message of it or what was sent of it, shows
that they saw it. Entries name a patient in their details only, which go after their time; until
then a patient is found by the specimens.
"""

from collections.abc import Iterator
from datetime import datetime

from msgspec import Struct
from sqlalchemy import bindparam, select, text

from verifier.store import schema
from verifier.store.audit import AuditReads, read_entry
from verifier.store.cases import CaseReads
from verifier.store.codec import micros
from verifier.store.outbox import OutboxReads
from verifier.store.rows import AuditEntry, StoredCase
from verifier.store.sql import Statement

LOOKED, LISTED = "looked at", "saw in a list"  # what the audit log says of seeing
PROGRAM = "verifier"

_audit = schema.audit
_BY_PERSON = Statement(
    select(
        _audit.c.seq, _audit.c.at, _audit.c.writer, _audit.c.who, _audit.c.what,
        _audit.c.subject, _audit.c.detail,
    )
    .where(
        _audit.c.who == bindparam("name"),
        text("who <> 'verifier'"),
        _audit.c.at >= bindparam("start"),
        _audit.c.at < bindparam("stop"),
    )
    .order_by(_audit.c.at.desc())
    .limit(bindparam("most"))
)  # fmt: skip


class Sight(Struct, frozen=True):
    """That somebody saw, or did something with, what belongs to a specimen."""

    entry: AuditEntry
    case: StoredCase | None


class SightReads(OutboxReads, CaseReads, AuditReads):
    """The two questions."""

    def who_saw(self, patient_key: str, most_cases: int = 200) -> list[Sight]:
        """Return what people saw of a patient, newest first."""
        found = [
            Sight(entry, case)
            for case in self.cases_of_patient(patient_key, most_cases)
            for subject in self._subjects(case)
            for entry in self.audit_of(subject)
            if entry.who != PROGRAM
        ]
        return sorted(found, key=lambda sight: sight.entry.at, reverse=True)

    def seen_by(self, name: str, start: datetime, stop: datetime, most: int = 500) -> list[Sight]:
        """Return what a person saw from `start` until before `stop`, newest first."""
        rows = self._all(_BY_PERSON, name=name, start=micros(start), stop=micros(stop), most=most)
        return [
            Sight(entry, self._case_of(entry.subject))
            for entry in map(read_entry, rows)
            if entry.subject.partition(":")[0] in ("case", "message", "outgoing")
        ]

    def _subjects(self, case: StoredCase) -> Iterator[str]:
        yield f"case:{case.id}"
        for message in dict.fromkeys(entry.message for entry in case.record.entries):
            yield f"message:{message}"
        for row in self.outgoing_of_case(case.id):
            yield f"outgoing:{row.id}"

    def _case_of(self, subject: str) -> StoredCase | None:
        kind, _, number = subject.partition(":")
        if not number.isdecimal():
            return None
        if kind == "outgoing":
            sent = self.outgoing(int(number))
            return self.case(sent.case_id) if sent and sent.case_id else None
        return self.case(int(number)) if kind == "case" else None
