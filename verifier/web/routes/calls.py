"""Critical results to be told: the list, its attempts, and the figures of a period."""

import csv
import io
from datetime import date, datetime, time, timedelta
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response
from msgspec import Struct

from verifier.errors import RefusedError
from verifier.service import calling
from verifier.service.calling import Figures, Step
from verifier.store.actrows import Attempt, CallRow
from verifier.store.rows import Session, StoredCase
from verifier.store.transaction import Reader, Transaction
from verifier.web import sights
from verifier.web.catalogue import told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.roles import signs
from verifier.web.routes.case import act_on, signature

router = APIRouter()
Note = Annotated[str, Form(max_length=1000)]
Name = Annotated[str, Form(max_length=200)]
DAYS = 30  # of the report when no period is given
_HEAD = (
    "opened", "due", "test", "title", "value", "unit", "flag", "rule", "state", "closed",
    "minutes", "closed by", "taken by", "role", "note",
)  # fmt: skip


class Shown(Struct, frozen=True):
    """An open call as the page shows it."""

    call: CallRow
    case: StoredCase | None
    step: Step
    attempts: tuple[Attempt, ...]


@router.get("/calls", dependencies=[Depends(May("look"))])
def calls(desk: TheDesk, session: Visitor) -> Response:
    """List what is still to be told, the first to be due first."""
    return _calls(desk, session)


@router.post("/calls/{number}", dependencies=[Depends(May("call results")), Depends(meant)])
def act(
    number: int,
    desk: TheDesk,
    session: Visitor,
    did: Annotated[Literal["nobody", "told", "known"], Form()],
    whom: Name = "",
    role: Name = "",
    note: Note = "",
    read_back: Annotated[bool, Form()] = False,
    password: Annotated[str, Form(max_length=2000)] = "",
    although: Name = "",
) -> Response:
    """Put an attempt on record, or close a call: read back, or known already."""
    now, plan = desk.clock(), desk.settings.calls
    try:
        who, _ = signature(desk, session, "call", password)

        def work(tx: Transaction) -> None:
            if did == "nobody":
                calling.attempt(tx, who, number, whom, note, now, reached=False)
            elif did == "known":
                calling.close_as_known(tx, who, number, note, now)
            else:
                calling.read_back(tx, plan, who, number, whom, role, note, now, confirmed=read_back)

        called = desk.store.read(lambda reader: reader.call(number))
        if called is None:
            raise RefusedError("There is no such call.")
        act_on(desk, who, called.case_id, although, work)
    except RefusedError as refused:
        again = {"number": number, "did": did, "whom": whom, "role": role, "note": note}
        again |= {"although": although}
        return _calls(desk, session, told(refused), again, status=409)
    return see("/calls")


@router.get("/calls/report", dependencies=[Depends(May("look"))])
def report(desk: TheDesk, session: Visitor, since: str = "", until: str = "") -> Response:
    """Show how long calls took in a period of days, both included."""
    first, last = _period(desk, since, until)

    def gather(reader: Reader) -> Content:
        found = _between(desk, reader, first, last)
        return {
            "figures": calling.figures(found, desk.clock()),
            "first": first,
            "last": last,
            "plan": desk.settings.calls,
            "rows": found,
            "minutes": calling.minutes_to_read_back,
        }

    return desk.show("calls_report.html", session, gather)


@router.get("/calls/report.csv", dependencies=[Depends(May("look"))])
def table(desk: TheDesk, session: Visitor, since: str = "", until: str = "") -> Response:
    """Return the calls of a period and their figures as CSV, without patient or specimen."""
    first, last = _period(desk, since, until)

    def gather(reader: Reader) -> str:
        found = _between(desk, reader, first, last)
        return _csv(found, calling.figures(found, desk.clock()))

    name = f"calls-{first}-{last}.csv"
    return Response(
        desk.store.read(gather),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _calls(
    desk: Desk,
    session: Session,
    refused: str = "",
    again: Content | None = None,
    *,
    status: int = 200,
) -> Response:
    plan = desk.settings.calls

    def gather(reader: Reader) -> Content:
        now = desk.clock()
        rows = []
        for call in reader.open_calls():
            attempts = reader.attempts(call.id)
            step = calling.step_of(plan, call, attempts, now)
            rows.append(Shown(call, reader.case(call.case_id), step, tuple(attempts)))
        asks = signs("call", desk.settings.acts.password)
        content = {"rows": rows, "plan": plan, "refused": refused, "again": again}
        content |= {"claims": reader.claims(desk.view().claims_since)}
        sees = [sights.shown(row.case) for row in rows if row.case]
        return content | {"ask_password": asks, "sees": sees}

    return desk.show("calls.html", session, gather, status=status)


def _period(desk: Desk, since: str, until: str) -> tuple[date, date]:
    today = desk.clock().astimezone(desk.zone).date()
    try:
        last = date.fromisoformat(until) if until else today
        first = date.fromisoformat(since) if since else last - timedelta(days=DAYS)
    except ValueError as error:
        raise RefusedError("Write the days of the period as in 2026-01-31.") from error
    if first > last:
        raise RefusedError("The period ends before it begins.")
    return first, last


def _between(desk: Desk, reader: Reader, first: date, last: date) -> list[CallRow]:
    start = datetime.combine(first, time(), desk.zone)
    stop = datetime.combine(last + timedelta(days=1), time(), desk.zone)
    return reader.calls_between(start, stop)


def _csv(rows: list[CallRow], found: Figures) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(_HEAD)
    for row in rows:
        told = row.state == "told"
        cells = (
            row.opened.isoformat(), row.due.isoformat(), row.test, row.title, row.value, row.unit,
            row.flag, row.rule, row.state, row.closed.isoformat() if row.closed else "",
            f"{calling.minutes_to_read_back(row):.1f}" if told else "", row.closed_by,
            row.taken_by, row.taken_role, row.note,
        )  # fmt: skip
        writer.writerow(map(_plain, cells))
    writer.writerow([])
    for name in Figures.__struct_fields__:
        writer.writerow([name.replace("_", " "), _figure(getattr(found, name))])
    return text.getvalue()


def _figure(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:.3f}" if isinstance(value, float) else str(value)


def _plain(text: str) -> str:
    """Keep a spreadsheet from taking typed text for a formula."""
    number = text[1:].replace(".", "", 1).isdecimal()
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t") and not number else text
