"""Controls as measured: how tests stand, charts, what to look into, figures of a month."""

from datetime import datetime, timedelta
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from verifier.errors import RefusedError
from verifier.service import qualityacts
from verifier.store.rows import Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.qualityview import (
    MARKS,
    digits_of,
    month,
    month_csv,
    month_of,
    shown,
    standings,
    undefined,
)

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]
NOT_JUDGED = timedelta(days=7)
_ACT = [Depends(May("record controls")), Depends(meant)]


@router.get("/quality", dependencies=[Depends(May("look"))])
def quality(desk: TheDesk, session: Visitor) -> Response:
    """Show how every test stands by its controls, and what there is to look into."""
    return _quality(desk, session)


@router.post("/quality/action", dependencies=_ACT)
def action(
    desk: TheDesk,
    session: Visitor,
    place: Annotated[str, Form(max_length=400)] = "",
    said: Note = "",
    password: Password = "",
) -> Response:
    """Record a corrective action for a test on an analyzer, signed with the password."""
    test, _, analyzer = place.partition("|")

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.correct(tx, desk.line.controls, who, test, analyzer, said, now)

    return _signed(desk, session, password, work)


@router.post("/quality/look-into", dependencies=_ACT)
def look_into(
    desk: TheDesk,
    session: Visitor,
    what: Annotated[str, Form(max_length=10)] = "",
    numbers: Annotated[list[int] | None, Form()] = None,
    note: Note = "",
    password: Password = "",
) -> Response:
    """Say what was found of listed results or of alarms, signed with the password."""
    if what not in ("review", "alarm"):
        raise HTTPException(400, "The form did not hold what was expected")
    kind = "review" if what == "review" else "alarm"

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.look_into(tx, who, kind, numbers or [], note, now)  # type: ignore[arg-type]

    return _signed(desk, session, password, work)


@router.get("/quality/month", dependencies=[Depends(May("look"))])
def by_month(desk: TheDesk, session: Visitor, month: str = "") -> Response:
    """Show the figures of a month."""
    begin, end_of = month_of(month, desk.zone, desk.clock())
    gather = partial(_month, desk=desk, begin=begin, end_of=end_of)
    return desk.show("quality_month.html", session, gather)


@router.get("/quality/month.csv", dependencies=[Depends(May("look"))])
def by_month_csv(desk: TheDesk, session: Visitor, month: str = "") -> Response:
    """Give the figures of a month as a file."""
    begin, end_of = month_of(month, desk.zone, desk.clock())
    lines = desk.store.read(lambda r: _month(r, desk=desk, begin=begin, end_of=end_of))["lines"]
    name = f"controls-{begin:%Y-%m}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(month_csv(lines, begin), media_type="text/csv", headers=headers)


def _signed(desk: Desk, session: Session, password: str, work: qualityacts.Work) -> Response:
    """Check the password, do it and go back; a refusal is shown on the page of controls."""
    try:
        desk.sign(session, password, work)
    except RefusedError as refused:
        return _quality(desk, session, str(refused), status=409)
    return see("/quality")


def _quality(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    now = desk.clock()

    def gather(reader: Reader) -> Content:
        return {
            "stands": standings(reader, desk.settings.quality, now),
            "marks": MARKS,
            "undefined": undefined(reader, desk.line.judge.program.catalogue.tests.values()),
            "titles": desk.line.judge.program.catalogue.tests,
            "reviews": reader.open_reviews(),
            "alarms": reader.open_alarms(),
            "monitors": reader.monitors(),
            "not_judged": reader.controls_not_judged(now - NOT_JUDGED),
            "refused": refused,
        }

    return desk.show("quality.html", session, gather, status=status)


def _month(reader: Reader, *, desk: Desk, begin: datetime, end_of: datetime) -> Content:
    lines = month(reader, begin, end_of, desk.settings.quality.allowable)
    return {
        "lines": lines, "begin": begin, "before": begin - timedelta(days=1), "after": end_of,
        "titles": desk.line.judge.program.catalogue.tests, "shown": shown, "digits": digits_of,
    }  # fmt: skip
