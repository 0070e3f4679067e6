"""Control levels: which are in use, defining and ending them, the chart of one, its values."""

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response
from msgspec.structs import replace
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from verifier.errors import RefusedError
from verifier.quality.figures import Figures
from verifier.service import qualityacts
from verifier.service.controlfiles import LEVEL_COLUMNS, level_of_form
from verifier.service.levels import in_use
from verifier.store.qualityrows import Basis, ControlLevel, ControlResult
from verifier.store.rows import Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.catalogue import say, told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see
from verifier.web.levelview import filled, values_csv
from verifier.web.monthview import own_figures
from verifier.web.qualitynumbers import brief, digits_of, insert_of, shown
from verifier.web.qualityview import drawn

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]
Short = Annotated[str, Form(max_length=30)]
EVER = datetime(1970, 1, 1, tzinfo=UTC)
DRAWN, LISTED = 120, 40  # newest measurements


class LevelForm(BaseModel):
    """A level as typed: fields named as the columns of a file, and what it is judged by."""

    test: str = Field("", max_length=200)
    analyzer: str = Field("", max_length=200)
    material: str = Field("", max_length=200)
    lot: str = Field("", max_length=200)
    level: str = Field("", max_length=200)
    mark: str = Field("", max_length=200)
    unit: str = Field("", max_length=60)
    mean: str = Field("", max_length=60)
    sd: str = Field("", max_length=60)
    expires: str = Field("", max_length=30)
    basis: str = Field("insert", max_length=10)
    since: str = Field("", max_length=30)
    password: str = Field("", max_length=2000)


_ACT = [Depends(May("record controls")), Depends(meant)]


@router.get("/quality/levels", dependencies=[Depends(May("look"))])
def levels(desk: TheDesk, session: Visitor, like: int = 0) -> Response:
    """Show every level, and the form that defines one; `like` fills it as another level."""
    return _levels(desk, session, like=like)


@router.post("/quality/levels", dependencies=_ACT)
def define(desk: TheDesk, session: Visitor, form: Annotated[LevelForm, Form()]) -> Response:
    """Define a level, signed with the password."""
    row = {name: getattr(form, name) for name in (*LEVEL_COLUMNS, "analyzer")}
    number = 0

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        nonlocal number
        qualityacts.may_record(who)
        level = level_of_form(row, desk.line.judge.program.catalogue, desk.zone, now)
        begin = _day(desk, form.since) or now
        if form.basis == "own":
            level = replace(level, basis="own", own_from=begin)
        number = level.id
        qualityacts.define_levels(tx, desk.line.controls, who.name, [level], now)

    try:
        desk.sign(session, form.password, work)
    except RefusedError as refused:
        return _levels(desk, session, told(refused), typed=row, status=409)
    return see(f"/quality/levels?like={number}")


@router.get("/quality/level/{level_id}", dependencies=[Depends(May("look"))])
def level(
    level_id: int, desk: TheDesk, session: Visitor, analyzer: str = "", against: str = "insert"
) -> Response:
    """Show the chart of a level on an analyzer, against the insert or the own figures."""
    return _level(desk, session, level_id, analyzer, against)


@router.get("/quality/charts", dependencies=[Depends(May("look"))])
def charts(desk: TheDesk, session: Visitor, test: str = "", analyzer: str = "") -> Response:
    """Show the charts of every level in use of a test on an analyzer, one below the other."""

    def gather(reader: Reader) -> Content:
        actions = reader.corrective_actions(test, analyzer, EVER)
        drawings = []
        for level in in_use(reader.control_levels(), test, analyzer):
            found = [e for e in reader.results_of_level(level.id, EVER) if e.analyzer == analyzer]
            found = _with_strays(reader, level.test, analyzer, found[-DRAWN:])
            judged = (level.mean, level.sd)
            drawings.append((level, drawn(level, found, actions, judged, desk.zone)))
        if not drawings:
            raise HTTPException(404, say("There is no such control"))
        titles = desk.line.judge.program.catalogue.tests
        return {
            "drawings": drawings, "test": test, "where": analyzer, "titles": titles,
            "insert_of": insert_of,
        }  # fmt: skip

    return desk.show("quality_charts.html", session, gather)


@router.get("/quality/level/{level_id}/values.csv", dependencies=[Depends(May("look"))])
def values(level_id: int, desk: TheDesk) -> Response:
    """Give every measurement of a level as a file."""

    def gather(reader: Reader) -> tuple[ControlLevel, list[ControlResult]]:
        return _known(reader, level_id), reader.results_of_level(level_id, EVER)

    found, results = desk.store.read(gather)
    headers = {"Content-Disposition": f'attachment; filename="control-{level_id}.csv"'}
    return Response(values_csv(found, results), media_type="text/csv", headers=headers)


@router.post("/quality/level/{level_id}/basis", dependencies=_ACT)
def basis(
    level_id: int,
    desk: TheDesk,
    session: Visitor,
    chosen: Short = "",
    since: Short = "",
    password: Password = "",
) -> Response:
    """Choose what a level is judged by, signed with the password."""
    kind: Basis = "own" if chosen == "own" else "insert"
    begin = _day(desk, since) if kind == "own" else None

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.choose_basis(tx, who, level_id, kind, begin)

    return _signed(desk, session, level_id, password, work)


@router.post("/quality/level/{level_id}/leave-out", dependencies=_ACT)
def leave_out(
    level_id: int,
    desk: TheDesk,
    session: Visitor,
    number: Annotated[int, Form()] = 0,
    why: Note = "",
    password: Password = "",
) -> Response:
    """Take one measurement out of rules and figures, signed with the password."""

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.leave_out(tx, desk.line.controls, who, number, why, now)

    return _signed(desk, session, level_id, password, work)


@router.post("/quality/level/{level_id}/end", dependencies=_ACT)
def end(level_id: int, desk: TheDesk, session: Visitor, password: Password = "") -> Response:
    """Take a level out of use, signed with the password."""

    def work(tx: Transaction, who: Person, now: datetime) -> None:
        qualityacts.end_level(tx, desk.line.controls, who, level_id, now)

    return _signed(desk, session, level_id, password, work)


def _signed(
    desk: Desk, session: Session, level_id: int, password: str, work: qualityacts.Work
) -> Response:
    """Check the password, do it and go back; a refusal is shown on the page of the level."""
    try:
        desk.sign(session, password, work)
    except RefusedError as refused:
        return _level(desk, session, level_id, "", "insert", told(refused), status=409)
    return see(f"/quality/level/{level_id}")


def _levels(
    desk: Desk,
    session: Session,
    refused: str = "",
    *,
    like: int = 0,
    typed: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    tests = desk.line.judge.program.catalogue.tests

    def gather(reader: Reader) -> Content:
        known = reader.control_levels()
        return {
            "levels": sorted(known, key=lambda e: (e.ended is not None, e.test, e.name, e.lot)),
            "analyzers": reader.analyzers(),
            "insert_of": insert_of,
            "filled": typed or filled(known, like),
            "titles": tests,
            "choices": [t for t in tests.values() if t.controlled and t.kind != "index"],
            "refused": refused,
        }

    return desk.show("quality_levels.html", session, gather, status=status)


def _level(
    desk: Desk,
    session: Session,
    level_id: int,
    analyzer: str,
    against: str,
    refused: str = "",
    *,
    status: int = 200,
) -> Response:
    def gather(reader: Reader) -> Content:
        level = _known(reader, level_id)
        everything = reader.results_of_level(level_id, EVER)
        places = sorted({each.analyzer for each in everything})
        where = analyzer if analyzer in places else (places or [level.analyzer])[0]
        results = [each for each in everything if each.analyzer == where]
        own = own_figures(results, level)
        mean, sd = own.accepted.mean, own.accepted.sd
        use_own = against == "own" and mean is not None and bool(sd)
        judged = (mean, sd) if use_own else (level.mean, level.sd)
        drawn_too = _with_strays(reader, level.test, where, results[-DRAWN:])
        since = results[0].at if results else desk.clock()
        actions = reader.corrective_actions(level.test, where, since)
        return {
            "level": level, "where": where, "places": places, "actions": actions,
            "drawing": drawn(level, drawn_too, actions, judged, desk.zone),  # type: ignore[arg-type]
            "results": results[-LISTED:][::-1], "against": against,
            "own": [(values, _own(told, level)) for values, told in own],
            "insert_of": insert_of, "brief": brief,
            "use_own": use_own, "titles": desk.line.judge.program.catalogue.tests,
            "refused": refused,
        }  # fmt: skip

    return desk.show("quality_level.html", session, gather, status=status)


def _with_strays(
    reader: Reader, test: str, analyzer: str, results: list[ControlResult]
) -> list[ControlResult]:
    """Return measurements with those of which nobody knows what level they are: they may be of
    this one."""
    strays = [
        each
        for each in reader.control_results(test, analyzer, DRAWN)
        if each.level_id is None and each.left_out is None
    ]
    return sorted((*results, *strays), key=lambda each: (each.at, each.id))[-DRAWN:]


def _known(reader: Reader, level_id: int) -> ControlLevel:
    for level in reader.control_levels():
        if level.id == level_id:
            return level
    raise HTTPException(404, say("There is no such control level"))


def _own(own: Figures, level: ControlLevel) -> dict[str, str]:
    digits = digits_of(level)
    return {
        "n": str(own.n), "mean": shown(own.mean, digits), "sd": shown(own.sd, digits),
        "cv": shown(own.cv, 2), "bias": shown(own.bias, 2),
    }  # fmt: skip


def _day(desk: Desk, text: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo else at.replace(tzinfo=desk.zone)
