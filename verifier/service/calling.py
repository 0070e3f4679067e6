"""Telling critical results: attempts, who took it, read-back, escalation, the figures of it."""

import statistics
from collections.abc import Sequence
from datetime import datetime

from msgspec import Struct

from verifier.errors import RefusedError
from verifier.facts.case import LEFT
from verifier.practice import Calls
from verifier.service.settling import SETTLES
from verifier.store.actrows import Attempt, CallRow
from verifier.store.ids import new_id
from verifier.store.rows import Person
from verifier.store.transaction import Reader, Transaction


class Step(Struct, frozen=True):
    """How far a call has gone: the place in `Calls.lines`, what it says, minutes open, overdue."""

    level: int
    line: str
    minutes: int
    overdue: bool


class Figures(Struct, frozen=True):
    """How calls of a period went. Minutes run from the result to its read-back.

    `in_time` counts read-backs not later than due, `missed` what was read back late or is overdue
    and open; `share` is the part of the first in both, None without any. Calls closed as known or
    not needed are counted apart, and so are open ones that are not due yet.
    """

    opened: int
    told: int
    median: float | None
    p90: float | None
    in_time: int
    missed: int
    share: float | None
    known: int
    not_needed: int
    still_open: int


def step_of(plan: Calls, call: CallRow, attempts: Sequence[Attempt], now: datetime) -> Step:
    """Return who is to be called now: by time, or sooner by attempts that reached nobody."""
    minutes = max(0, int((now - call.opened).total_seconds() // 60))
    failed = sum(not attempt.reached for attempt in attempts)
    level = max(minutes // plan.escalate_minutes, failed // plan.escalate_attempts)
    level = min(level, len(plan.lines) - 1)
    return Step(level, plan.lines[level], minutes, now > call.due)


def attempt(
    tx: Transaction, who: Person, number: int, whom: str, note: str, now: datetime, *, reached: bool
) -> None:
    """Put on record that somebody was called, reached or not.

    Raises:
        RefusedError: the role may not, nobody is named, or the call is not open any more.
    """
    call = _open_call(tx, who, number)
    if not whom.strip():
        raise RefusedError("Say who was called.")
    row = Attempt(new_id(), number, now, who.name, whom.strip(), reached, note.strip())
    tx.add_attempt(call.case_id, row)
    detail = {"test": call.test, "called": row.whom, "reached": reached, "note": row.note}
    tx.audit(who.name, "called", f"case:{call.case_id}", detail)


def read_back(
    tx: Transaction,
    plan: Calls,
    who: Person,
    number: int,
    taken_by: str,
    taken_role: str,
    note: str,
    now: datetime,
    *,
    confirmed: bool,
) -> None:
    """Close a call: somebody took the result and read it back.

    Raises:
        RefusedError: the role may not, it was not read back, nobody is named, the call is not open
            any more, or the result has to be released first.
    """
    call = _open_call(tx, who, number)
    if not confirmed:
        raise RefusedError("A call is closed only when the result was read back.")
    if not taken_by.strip() or not taken_role.strip():
        raise RefusedError("Say who took the result, by name and role.")
    if plan.when == "after release" and not has_left(tx, call):
        raise RefusedError("Release the result first, then call: so this laboratory has it.")
    row = Attempt(new_id(), number, now, who.name, taken_by.strip(), True, note.strip())
    tx.add_attempt(call.case_id, row)
    tx.close_call(
        number, "told", who.name, now,
        taken_by=taken_by.strip(), taken_role=taken_role.strip(), note=note.strip(),
    )  # fmt: skip
    detail = {
        "test": call.test, "value": call.value, "taken by": taken_by.strip(),
        "role": taken_role.strip(), "read back": True,
        "minutes": round((now - call.opened).total_seconds() / 60, 1),
    }  # fmt: skip
    tx.audit(who.name, "told a critical result", f"case:{call.case_id}", detail)


def close_as_known(tx: Transaction, who: Person, number: int, reason: str, now: datetime) -> None:
    """Close a call without calling: whoever treats the patient knows already.

    Raises:
        RefusedError: the role may not, no reason, or the call is not open any more.
    """
    call = _open_call(tx, who, number)
    if not reason.strip():
        raise RefusedError("Say why nobody has to be called.")
    tx.close_call(number, "known", who.name, now, note=reason.strip())
    detail = {"test": call.test, "value": call.value, "reason": reason.strip()}
    tx.audit(who.name, "closed a call as known", f"case:{call.case_id}", detail)


def has_left(reader: Reader, call: CallRow) -> bool:
    """Return whether the result of a call has been released."""
    stored = reader.case(call.case_id)
    if stored is None or call.entry < 0:
        return stored is not None and stored.held == 0
    return stored.record.entries[call.entry].state in LEFT


def figures(calls: Sequence[CallRow], now: datetime) -> Figures:
    """Return how calls went; the 90th percentile lies between the two values beside it."""
    told = [call for call in calls if call.state == "told" and call.closed]
    minutes = sorted(minutes_to_read_back(call) for call in told)
    in_time = sum(call.closed is not None and call.closed <= call.due for call in told)
    waiting = [call for call in calls if call.state == "open"]
    late = sum(call.due < now for call in waiting)
    missed = len(told) - in_time + late
    return Figures(
        opened=len(calls),
        told=len(told),
        median=statistics.median(minutes) if minutes else None,
        p90=_p90(minutes),
        in_time=in_time,
        missed=missed,
        share=in_time / (in_time + missed) if in_time + missed else None,
        known=sum(call.state == "known" for call in calls),
        not_needed=sum(call.state == "not needed" for call in calls),
        still_open=len(waiting),
    )


def minutes_to_read_back(call: CallRow) -> float:
    """Return the minutes from the result to the end of the call."""
    assert call.closed is not None
    return (call.closed - call.opened).total_seconds() / 60


def _p90(minutes: Sequence[float]) -> float | None:
    if len(minutes) < 2:
        return minutes[0] if minutes else None
    return statistics.quantiles(minutes, n=10, method="inclusive")[8]


def _open_call(tx: Transaction, who: Person, number: int) -> CallRow:
    if who.role not in SETTLES:
        raise RefusedError("Critical results are told by a technologist or a pathologist.")
    call = tx.call(number)
    if call is None:
        raise RefusedError("There is no such call.")
    tx.claim_case(call.case_id)
    call = tx.call(number)
    if call is None or call.state != "open":
        by = f" by {call.closed_by}" if call else ""
        raise RefusedError("This call was closed meanwhile%(by)s.", by=by)
    return call
