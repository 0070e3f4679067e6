"""The work list of people, and the counters above it."""

from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, func, select, text

from verifier.facts.case import CaseRecord
from verifier.facts.priorities import ROUTINE
from verifier.facts.verdicts import Decision
from verifier.store import codec, schema
from verifier.store.base import Reading
from verifier.store.cases import WITH_LATEST_DECISION
from verifier.store.codec import micros
from verifier.store.inbox import InboxReads
from verifier.store.likeness import likeness
from verifier.store.outbox import OutboxReads
from verifier.store.rows import HeldResult, QueueRow, Statistics
from verifier.store.severity import open_results, worst_reason
from verifier.store.sql import Statement
from verifier.store.worklist import IS_HELD, ORDERS, WANTED, asked
from verifier.store.worklistrows import View, Wanted

_case, _decision, _result = schema.specimen_case, schema.decision, schema.result

_rows = select(
    _case.c.id, _case.c.version, _case.c.severity, _case.c.held, _case.c.waiting,
    _case.c.released, _case.c.record, _decision.c.body,
).select_from(WITH_LATEST_DECISION)  # fmt: skip
_QUEUE = Statement(
    _rows.where(IS_HELD)
    .order_by(*ORDERS["worst"])
    .limit(bindparam("most"))
    .offset(bindparam("skip"))
)
_WANTED = {
    name: Statement(
        _rows.where(*WANTED).order_by(*by).limit(bindparam("most")).offset(bindparam("skip"))
    )
    for name, by in ORDERS.items()
}
_HELD = Statement(select(func.count()).select_from(_case).where(IS_HELD))
_WAITING = Statement(select(func.count()).select_from(_case).where(text("wait_until IS NOT NULL")))
_DUE = Statement(
    select(_case.c.id)
    .where(_case.c.wait_until <= bindparam("now"))
    .order_by(_case.c.wait_until)
    .limit(bindparam("most"))
)
_IS_DUE = Statement(
    select(_case.c.id).where(
        _case.c.id == bindparam("case"), _case.c.wait_until <= bindparam("now")
    )
)
_RELEASED = Statement(
    select(func.count()).where(
        _result.c.by_rules == bindparam("by_rules"),
        _result.c.settled >= bindparam("since"),
        text("state = 'released'"),
    )
)


class QueueReads(OutboxReads, InboxReads, Reading):
    """What can be asked about work that waits for people."""

    def queue(self, *, most: int = 200, skip: int = 0) -> list[QueueRow]:
        """Return the specimens with a held result: worst first (`store.severity`), then oldest."""
        return [_queue_row(row) for row in self._all(_QUEUE, most=most, skip=skip)]

    def wanted(self, wanted: Wanted, view: View, *, most: int, skip: int = 0) -> list[QueueRow]:
        """Return those specimens of the queue that are wanted, in the order asked for."""
        values = asked(wanted, view)
        found = self._all(_WANTED[wanted.order], **values, most=most, skip=skip)
        return [_queue_row(row) for row in found]

    def waiting_due(self, now: datetime, most: int = 100) -> list[int]:
        """Return the cases whose waiting time is over, longest overdue first."""
        return [case_id for (case_id,) in self._all(_DUE, now=micros(now), most=most)]

    def is_due(self, case_id: int, now: datetime) -> bool:
        """Return whether a case waits and its waiting time is over."""
        return self._one(_IS_DUE, case=case_id, now=micros(now)) is not None

    def statistics(self, *, since: datetime) -> Statistics:
        """Return the counters of the page; `since` is when today began where the laboratory is."""
        start = micros(since)
        return Statistics(
            held_specimens=self._one(_HELD)[0],
            waiting_specimens=self._one(_WAITING)[0],
            released_by_rules=self._one(_RELEASED, by_rules=True, since=start)[0],
            released_by_person=self._one(_RELEASED, by_rules=False, since=start)[0],
            problems=self.problem_count(),
            outbox=self.outbox_counts(),
            last_message=self.last_messages(),
        )


def _queue_row(row: Any) -> QueueRow:
    case_id, version, worst, held, waiting, released, stored, body = row
    record = codec.read_record(stored)
    patient = record.patient
    collected = record.specimen.collected
    decision = codec.read_decision(body) if body else None
    return QueueRow(
        case_id=case_id,
        version=version,
        severity=worst,
        specimen=record.specimen.key,
        specimen_type=record.specimen.type,
        patient_key=patient.key if patient else "",
        patient_number=patient.number if patient else "",
        patient_name=patient.name if patient else "",
        opened=record.opened,
        collected=collected.at if collected else None,
        held=held,
        waiting=waiting,
        released=released,
        results=_held(record, decision) if decision else (),
        ward=patient.attributes.get("ward", "") if patient else "",
        priority=record.specimen.attributes.get("priority", ROUTINE),
        likeness=likeness(record, decision) if decision else "",
    )


def _held(record: CaseRecord, decision: Decision) -> tuple[HeldResult, ...]:
    found = []
    for result in open_results(record, decision, "hold"):
        worst = worst_reason(result.reasons)
        found.append(
            HeldResult(
                result.test, result.title, result.value, result.unit, result.flag,
                worst.rule if worst else "", worst.text if worst else "",
            )
        )  # fmt: skip
    return tuple(found)
