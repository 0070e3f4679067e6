"""Calls of critical results: what is to be told, every attempt, who took it."""

from datetime import datetime
from typing import Any

from sqlalchemy import and_, bindparam, func, insert, select, text, update

from verifier.store import actschema
from verifier.store.actrows import Attempt, CallRow, CallState
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, instant_or_none, micros
from verifier.store.sql import Statement

_call, _attempt = actschema.critical_call, actschema.call_attempt
_open = text("state = 'open'")
_this = _call.c.id == bindparam("number")

_ADD = Statement(insert(_call))
_ADD_ATTEMPT = Statement(insert(_attempt))
_ONE = Statement(select(_call).where(_this))
_OPEN = Statement(select(_call).where(_open).order_by(_call.c.due))
_COUNT = Statement(select(func.count()).select_from(_call).where(_open))
_OVERDUE = Statement(
    select(func.count()).select_from(_call).where(_open, _call.c.due < bindparam("now"))
)
_OF_CASE = Statement(select(_call).where(_call.c.case_id == bindparam("case")).order_by(_call.c.id))
_TOLD = Statement(
    select(_call).where(
        _call.c.patient == bindparam("patient"),
        _call.c.test == bindparam("which"),
        _call.c.closed >= bindparam("since"),
        text("state IN ('told', 'known')"),
    )
)
_BETWEEN = Statement(
    select(_call)
    .where(_call.c.opened >= bindparam("since"), _call.c.opened < bindparam("before"))
    .order_by(_call.c.opened)
)
_ATTEMPTS = Statement(
    select(_attempt).where(_attempt.c.call_id == bindparam("number")).order_by(_attempt.c.id)
)
_CLOSE = Statement(
    update(_call)
    .where(and_(_this, _open))
    .values(
        {
            name: bindparam(f"new_{name}")
            for name in ("state", "closed", "closed_by", "taken_by", "taken_role", "note")
        }
    )
)
_RENEW = Statement(
    update(_call)
    .where(and_(_this, _open))
    .values({name: bindparam(f"new_{name}") for name in ("entry", "value", "unit", "flag")})
)
_MOVE = Statement(
    update(_call)
    .where(_call.c.case_id == bindparam("case"))
    .values(patient=bindparam("new_patient"))
)


class CallReads(Reading):
    """What can be asked about calls."""

    def call(self, number: int) -> CallRow | None:
        """Return one call."""
        row = self._one(_ONE, number=number)
        return None if row is None else _call_of(row)

    def open_calls(self) -> list[CallRow]:
        """Return what is still to be told, the first to be due first."""
        return [_call_of(row) for row in self._all(_OPEN)]

    def calls_to_make(self, now: datetime) -> tuple[int, int]:
        """Return how many calls are open, and how many of them overdue."""
        return self._one(_COUNT)[0], self._one(_OVERDUE, now=micros(now))[0]

    def calls_of_case(self, case_id: int) -> list[CallRow]:
        """Return every call of a case, oldest first."""
        return [_call_of(row) for row in self._all(_OF_CASE, case=case_id)]

    def told(self, patient: str, test: str, since: datetime) -> list[CallRow]:
        """Return what of a test of a patient was told, or closed as known, since an instant."""
        if not patient:
            return []
        rows = self._all(_TOLD, patient=patient, which=test, since=micros(since))
        return [_call_of(row) for row in rows]

    def calls_between(self, since: datetime, before: datetime) -> list[CallRow]:
        """Return the calls opened in a stretch of time, `before` not included."""
        rows = self._all(_BETWEEN, since=micros(since), before=micros(before))
        return [_call_of(row) for row in rows]

    def attempts(self, number: int) -> list[Attempt]:
        """Return the attempts of a call, oldest first."""
        return [
            Attempt(id_, call, instant(at), who, whom, bool(reached), note)
            for id_, _, call, at, who, whom, reached, note in self._all(_ATTEMPTS, number=number)
        ]


class CallWrites(CallReads, Writing):
    """What is written about calls."""

    def add_call(self, row: CallRow) -> None:
        """Open a call; its case must be saved before."""
        self._insert(
            _ADD, row.id, row.case_id, row.entry, row.patient, row.test, row.title, row.value,
            row.unit, row.flag, row.rule, row.whom, micros(row.opened), micros(row.due), row.state,
            None, "", "", "", "",
        )  # fmt: skip
        self._touch("cases")

    def renew_call(self, number: int, entry: int, value: str, unit: str, flag: str) -> bool:
        """Let an open call tell the value that replaced its own; its clock runs on."""
        self._touch("cases")
        done = self._run(
            _RENEW, number=number, new_entry=entry, new_value=value, new_unit=unit, new_flag=flag
        )
        return done == 1

    def move_calls(self, case_id: int, patient: str) -> None:
        """Let the calls of a case be those of another patient key."""
        self._run(_MOVE, case=case_id, new_patient=patient)

    def add_attempt(self, case_id: int, row: Attempt) -> None:
        """Keep an attempt."""
        self._insert(
            _ADD_ATTEMPT, row.id, case_id, row.call_id, micros(row.at), row.who, row.whom,
            row.reached, row.note,
        )  # fmt: skip
        self._touch("cases")

    def close_call(
        self,
        number: int,
        state: CallState,
        who: str,
        at: datetime,
        *,
        taken_by: str = "",
        taken_role: str = "",
        note: str = "",
    ) -> bool:
        """Close an open call; False when it was not open."""
        self._touch("cases")
        done = self._run(
            _CLOSE, number=number, new_state=state, new_closed=micros(at), new_closed_by=who,
            new_taken_by=taken_by, new_taken_role=taken_role, new_note=note,
        )  # fmt: skip
        return done == 1


def _call_of(row: Any) -> CallRow:
    number, case_id, entry, patient, test, title, value, unit, flag, rule, whom, *rest = row
    opened, due, state, closed, closed_by, taken_by, taken_role, note = rest
    return CallRow(
        number, case_id, entry, patient, test, title, value, unit, flag, rule, whom,
        instant(opened), instant(due), state, instant_or_none(closed), closed_by, taken_by,
        taken_role, note,
    )  # fmt: skip
