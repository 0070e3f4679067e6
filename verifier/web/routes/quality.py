"""Controls as measured: how tests stand, charts, what to look into, figures of a month."""

from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from verifier.errors import RefusedError
from verifier.quality.figures import Figures
from verifier.service import qualityacts
from verifier.store.qualityrows import Basis, ControlLevel
from verifier.store.rows import Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.qualityview import (
    MARKS,
    digits_of,
    drawn,
    month,
    month_csv,
    month_of,
    own_figures,
    shown,
    standings,
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


@router.get("/quality/level/{level_id}", dependencies=[Depends(May("look"))])
def level(
    level_id: int, desk: TheDesk, session: Visitor, analyzer: str = "", against: str = "insert"
) -> Response:
    """Show the chart of a level on an analyzer, against the insert or the own figures."""
    return _level(desk, session, level_id, analyzer, against)


@router.post("/quality/level/{level_id}/basis", dependencies=_ACT)
def basis(
    level_id: int,
    desk: TheDesk,
    session: Visitor,
    chosen: Annotated[str, Form(max_length=10)] = "",
    since: Annotated[str, Form(max_length=30)] = "",
    password: Password = "",
) -> Response:
    """Choose what a level is judged by, signed with the password."""
    kind: Basis = "own" if chosen == "own" else "insert"
    begin = _day(desk, since) if kind == "own" else None

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.choose_basis(tx, who, level_id, kind, begin)

    return _signed(desk, session, password, work, back=f"/quality/level/{level_id}")


@router.post("/quality/level/{level_id}/end", dependencies=_ACT)
def end(level_id: int, desk: TheDesk, session: Visitor, password: Password = "") -> Response:
    """Take a level out of use, signed with the password."""

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.end_level(tx, desk.line.controls, who, level_id, now)

    return _signed(desk, session, password, work, back=f"/quality/level/{level_id}")


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


def _signed(
    desk: Desk,
    session: Session,
    password: str,
    work: "qualityacts.Work",
    *,
    back: str = "/quality",
) -> Response:
    """Check the password, do it and go back; a refusal is shown on the page of controls."""
    try:
        who, now = desk.check_password(session.person.name, password, SIGNING), desk.clock()
        desk.store.write(lambda tx: work(tx, who, now))
    except RefusedError as refused:
        return _quality(desk, session, str(refused), status=409)
    return see(back)


def _quality(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    now = desk.clock()

    def gather(reader: Reader) -> Content:
        return {
            "stands": standings(reader, desk.settings.quality, now),
            "marks": MARKS,
            "titles": desk.line.judge.program.catalogue.tests,
            "reviews": reader.open_reviews(),
            "alarms": reader.open_alarms(),
            "monitors": reader.monitors(),
            "not_judged": reader.controls_not_judged(now - NOT_JUDGED),
            "refused": refused,
        }

    return desk.show("quality.html", session, gather, status=status)


def _level(desk: Desk, session: Session, level_id: int, analyzer: str, against: str) -> Response:
    def gather(reader: Reader) -> Content:
        level = next((e for e in reader.control_levels() if e.id == level_id), None)
        if level is None:
            raise HTTPException(404, "There is no such control level")
        everything = reader.results_of_level(level_id, datetime(1970, 1, 1, tzinfo=UTC))
        places = sorted({each.analyzer for each in everything})
        where = analyzer if analyzer in places else (places or [level.analyzer])[0]
        results = [each for each in everything if each.analyzer == where]
        own = own_figures(results, level)
        use_own = against == "own" and own.mean is not None and bool(own.sd)
        judged = (own.mean, own.sd) if use_own else (level.mean, level.sd)
        since = results[0].at if results else desk.clock()
        actions = reader.corrective_actions(level.test, where, since)
        return {
            "level": level, "where": where, "places": places, "actions": actions,
            "drawing": drawn(level, results[-120:], actions, judged, desk.zone),  # type: ignore[arg-type]
            "results": results[-40:][::-1], "own": _own(own, level), "against": against,
            "use_own": use_own, "titles": desk.line.judge.program.catalogue.tests,
        }  # fmt: skip

    return desk.show("quality_level.html", session, gather)


def _own(own: Figures, level: ControlLevel) -> dict[str, str]:
    digits = digits_of(level)
    return {
        "n": str(own.n), "mean": shown(own.mean, digits), "sd": shown(own.sd, digits),
        "cv": shown(own.cv, 2), "bias": shown(own.bias, 2),
    }  # fmt: skip


def _month(reader: Reader, *, desk: Desk, begin: datetime, end_of: datetime) -> Content:
    lines = month(reader, begin, end_of, desk.settings.quality.allowable)
    return {
        "lines": lines, "begin": begin, "before": begin - timedelta(days=1), "after": end_of,
        "titles": desk.line.judge.program.catalogue.tests, "shown": shown, "digits": digits_of,
    }  # fmt: skip


def _day(desk: Desk, text: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo else at.replace(tzinfo=desk.zone)
