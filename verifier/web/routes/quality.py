"""Controls as measured: how tests stand, charts, what to look into, figures of a month."""

from datetime import datetime, timedelta
from functools import partial
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response
from msgspec import Struct
from starlette.exceptions import HTTPException

from verifier.errors import RefusedError
from verifier.service import qualityacts
from verifier.store.qualityrows import CorrectiveAction
from verifier.store.rows import Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.catalogue import say, told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.monthpaper import Month, month_document
from verifier.web.monthview import month, month_csv, month_of
from verifier.web.qualitynumbers import brief, digits_of, shown
from verifier.web.qualityview import MARKS, not_judged, rules_in_use, standings, undefined

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]
NOT_JUDGED = timedelta(days=7)
ACTIONS = timedelta(days=30)
_ACT = [Depends(May("record controls")), Depends(meant)]


class Typed(Struct, frozen=True):
    """What somebody typed and chose in a form that was refused, so that nothing of it is lost."""

    place: str = ""
    said: str = ""
    what: str = ""
    numbers: tuple[int, ...] = ()
    note: str = ""


NOTHING = Typed()


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

    return _signed(desk, session, password, work, Typed(place=place, said=said))


@router.post("/quality/look-into", dependencies=_ACT)
def look_into(
    desk: TheDesk,
    session: Visitor,
    what: Annotated[str, Form(max_length=10)] = "",
    numbers: Annotated[list[int] | None, Form()] = None,
    note: Note = "",
    password: Password = "",
) -> Response:
    """Say what was found of listed results, of alarms or of controls that could not be judged,
    signed with the password."""
    if what not in ("review", "alarm", "control"):
        raise HTTPException(400, say("The form did not hold what was expected"))
    chosen = tuple(numbers or ())

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        if what == "control":
            qualityacts.leave_out_all(tx, desk.line.controls, who, chosen, note, now)
        else:
            kind: Literal["review", "alarm"] = "review" if what == "review" else "alarm"
            qualityacts.look_into(tx, who, kind, chosen, note, now)

    return _signed(desk, session, password, work, Typed(what=what, numbers=chosen, note=note))


@router.get("/quality/month", dependencies=[Depends(May("look"))])
def by_month(desk: TheDesk, session: Visitor, month: str = "") -> Response:
    """Show the figures of a month."""
    begin, end_of = month_of(month, desk.zone, desk.clock())
    gather = partial(_month, desk=desk, begin=begin, end_of=end_of)
    return desk.show("quality_month.html", session, gather)


@router.get("/quality/month.pdf", dependencies=[Depends(May("look"))])
def by_month_pdf(desk: TheDesk, session: Visitor, month: str = "") -> Response:
    """Give the figures of a month, with charts, as a file to print and keep."""
    from verifier.documents.pdf import as_pdf  # loads fonts; only who prints waits for it

    begin, end_of = month_of(month, desk.zone, desk.clock())
    paper = desk.store.read(lambda reader: _paper(reader, desk, begin, end_of))
    return _file(as_pdf(month_document(paper, desk.clock())), f"controls-{begin:%Y-%m}.pdf")


@router.get("/quality/month.csv", dependencies=[Depends(May("look"))])
def by_month_csv(desk: TheDesk, session: Visitor, month: str = "") -> Response:
    """Give the figures of a month as a file."""
    begin, end_of = month_of(month, desk.zone, desk.clock())
    lines = desk.store.read(lambda r: _month(r, desk=desk, begin=begin, end_of=end_of))["lines"]
    return _file(month_csv(lines, begin), f"controls-{begin:%Y-%m}.csv")


def _file(content: str | bytes, name: str) -> Response:
    kind = {"csv": "text/csv", "pdf": "application/pdf"}[name.rpartition(".")[2]]
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def _signed(
    desk: Desk, session: Session, password: str, work: qualityacts.Work, typed: Typed
) -> Response:
    """Check the password, do it and go back; a refusal is shown on the page of controls."""
    try:
        desk.sign(session, password, work)
    except RefusedError as refused:
        return _quality(desk, session, told(refused), typed, status=409)
    return see("/quality")


def _quality(
    desk: Desk, session: Session, refused: str = "", typed: Typed = NOTHING, *, status: int = 200
) -> Response:
    now = desk.clock()

    def gather(reader: Reader) -> Content:
        return {
            "stands": standings(reader, desk.settings.quality, now),
            "marks": MARKS,
            "undefined": undefined(reader, desk.line.judge.program.catalogue.tests.values()),
            "rules": rules_in_use(desk.settings.quality),
            "actions": _actions(reader, now - ACTIONS),
            "titles": desk.line.judge.program.catalogue.tests,
            "reviews": reader.open_reviews(),
            "alarms": reader.open_alarms(),
            "monitors": reader.monitors(),
            **not_judged(reader, now - NOT_JUDGED),
            "refused": refused,
            "typed": typed,
        }

    return desk.show("quality.html", session, gather, status=status)


def _actions(reader: Reader, since: datetime) -> list[CorrectiveAction]:
    """Return the corrective actions of every test since an instant, newest first."""
    found = [
        action
        for row in reader.standings()
        for action in reader.corrective_actions(row.test, row.analyzer, since)
    ]
    return sorted(found, key=lambda action: action.at, reverse=True)


def _month(reader: Reader, *, desk: Desk, begin: datetime, end_of: datetime) -> Content:
    lines = month(reader, begin, end_of, desk.settings.quality)
    return {
        "lines": lines, "begin": begin, "before": begin - timedelta(days=1), "after": end_of,
        "titles": desk.line.judge.program.catalogue.tests, "shown": shown, "digits": digits_of,
        "brief": brief,
    }  # fmt: skip


def _paper(reader: Reader, desk: Desk, begin: datetime, end_of: datetime) -> Month:
    lines = month(reader, begin, end_of, desk.settings.quality)
    places = dict.fromkeys((line.level.test, line.analyzer) for line in lines)
    actions = [
        action
        for test, analyzer in places
        for action in reader.corrective_actions(test, analyzer, begin)
        if action.at < end_of
    ]
    titles = desk.line.judge.program.catalogue.tests
    return Month(desk.settings.laboratory, begin, lines, actions, titles, desk.zone)
