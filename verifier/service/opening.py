"""Opening the calls of critical results, and when one is not to be called again."""

import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation

from verifier.facts.case import CaseRecord
from verifier.facts.verdicts import Decision, Request, ResultDecision
from verifier.practice import Calls
from verifier.store.actrows import CallRow
from verifier.store.ids import new_id
from verifier.store.transaction import Transaction

_DETAIL = re.compile(r"(?P<whom>.*) within (?P<count>\d+) (?P<unit>minute|hour|day)s?")
_MINUTES = {"minute": 1, "hour": 60, "day": 1440}
_HIGH, _LOW = "HH", "LL"  # HL7 table 0078


def open_calls(
    tx: Transaction,
    plan: Calls,
    case_id: int,
    record: CaseRecord,
    decision: Decision,
    now: datetime,
) -> None:
    """Open a call for every result the rules want called, unless the same is known already.

    A call still open for an earlier value of the same test tells the new value from now on. One
    that a rejection made needless is opened anew when the rejection was taken back.
    """
    wanted = _wanted(decision)
    if not wanted:
        return
    before = [call for call in tx.calls_of_case(case_id) if call.state != "not needed"]
    patient = record.patient.key if record.patient else ""
    for result, asked in wanted:
        here = [call for call in before if call.test == result.test]
        if any((c.entry, c.value) == (result.entry, result.value) for c in here):
            continue
        if standing := next((call for call in here if call.state == "open"), None):
            _renew(tx, standing, result)
            continue
        call = _call(plan, case_id, patient, result, asked, now)
        since = now - timedelta(hours=plan.known_hours)
        if same := is_known(plan, call, tx.told(patient, result.test, since)):
            detail = {"test": result.test, "value": call.value, "known since": str(same.closed)}
            tx.audit("verifier", "did not open a call again", f"case:{case_id}", detail)
            continue
        tx.add_call(call)
        detail = {"test": result.test, "value": call.value, "due": call.due.isoformat()}
        tx.audit("verifier", "opened a call", f"case:{case_id}", detail)


def is_known(plan: Calls, call: CallRow, told: Iterable[CallRow]) -> CallRow | None:
    """Return what was told before and makes this call needless, None if it has to be made."""
    return next((one for one in told if not _is_worse(plan, call, one)), None)


def _is_worse(plan: Calls, call: CallRow, told: CallRow) -> bool:
    """Whether a value is news after another: other side, further out, or not comparable."""
    if call.flag != told.flag or call.flag not in (_HIGH, _LOW) or call.unit != told.unit:
        return True
    now, then = _number(call.value), _number(told.value)
    if now is None or then is None:
        return True
    further = abs(then) * Decimal(str(plan.worse_percent)) / 100
    if call.flag == _HIGH:
        return now > then + further
    return now < then - further


def _number(text: str) -> Decimal | None:
    try:
        found = Decimal(text)
    except InvalidOperation:
        return None
    return found if found.is_finite() else None


def _wanted(decision: Decision) -> list[tuple[ResultDecision, list[Request]]]:
    asked = [request for request in decision.requests if request.what == "call"]
    if not asked:
        return []
    found = []
    for result in (*decision.results, *decision.derived):
        mine = [request for request in asked if result.test in request.tests]
        if result.test and mine:
            found.append((result, mine))
    return found


def _call(
    plan: Calls,
    case_id: int,
    patient: str,
    result: ResultDecision,
    asked: list[Request],
    now: datetime,
) -> CallRow:
    first = min(asked, key=lambda request: minutes_of(request.detail, plan.within_minutes))
    minutes = minutes_of(first.detail, plan.within_minutes)
    said = _DETAIL.fullmatch(first.detail)
    return CallRow(
        id=new_id(),
        case_id=case_id,
        entry=result.entry,
        patient=patient,
        test=result.test,
        title=result.title,
        value=result.value,
        unit=result.unit,
        flag=result.flag,
        rule=first.rule,
        whom=said["whom"] if said else first.detail,
        opened=now,
        due=now + timedelta(minutes=minutes),
    )


def minutes_of(detail: str, otherwise: int) -> int:
    """Return the minutes a rule gives, such as ``clinician within 2 hours``."""
    said = _DETAIL.fullmatch(detail)
    return int(said["count"]) * _MINUTES[said["unit"]] if said else otherwise


def _renew(tx: Transaction, call: CallRow, result: ResultDecision) -> None:
    tx.renew_call(call.id, result.entry, result.value, result.unit, result.flag)
    detail = {"test": call.test, "value": result.value, "before": call.value}
    tx.audit("verifier", "renewed a call", f"case:{call.case_id}", detail)
