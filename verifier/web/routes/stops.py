"""What people stop and what they vouch for: suspensions and control states."""

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.facts.case import Control
from verifier.service import actions, qualityacts
from verifier.store.rows import ControlRow, Person, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.catalogue import told
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
Password = Annotated[str, Form(max_length=2000)]
Note = Annotated[str, Form(max_length=1000)]


@router.get("/suspension", dependencies=[Depends(May("look"))])
def suspension(desk: TheDesk, session: Visitor) -> Response:
    """Show what is suspended and the form to suspend."""
    return _suspension(desk, session)


@router.post("/suspension", dependencies=[Depends(May("suspend")), Depends(meant)])
def suspend(
    desk: TheDesk,
    session: Visitor,
    what: Annotated[str, Form(max_length=200)] = "",
    reason: Note = "",
) -> Response:
    """Suspend at once: stopping is safe, so no password is asked."""
    scope, _, subject = what.partition(":")
    known = {
        "all": [""],
        "test": list(desk.line.judge.program.catalogue.tests),
        "connection": list(desk.settings.connections),
    }
    try:
        if subject not in known.get(scope, []):
            raise RefusedError("Choose what is to be suspended.")
        kind: Literal["all", "test", "connection"] = scope  # type: ignore[assignment]
        who, now = session.person.name, desk.clock()
        desk.store.write(lambda tx: actions.suspend(tx, who, kind, subject, reason, now))
    except RefusedError as refused:
        return _suspension(desk, session, told(refused), status=409)
    return see("/suspension")


@router.post(
    "/suspension/{suspension_id}/resume", dependencies=[Depends(May("suspend")), Depends(meant)]
)
def resume(
    suspension_id: int, desk: TheDesk, session: Visitor, password: Password = ""
) -> Response:
    """End a suspension, signed with the password."""
    try:
        who = desk.check_password(session.person.name, password, SIGNING)
        desk.store.write(lambda tx: actions.resume(tx, who.name, suspension_id))
    except RefusedError as refused:
        return _suspension(desk, session, told(refused), status=409)
    return see("/suspension")


def _suspension(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    def gather(reader: Reader) -> Content:
        return {
            "standing": reader.suspensions(),
            "tests": desk.line.judge.program.catalogue.tests.values(),
            "connections": desk.settings.connections,
            "refused": refused,
        }

    return desk.show("suspension.html", session, gather, status=status)


@router.get("/controls", dependencies=[Depends(May("look"))])
def controls(desk: TheDesk, session: Visitor) -> Response:
    """Show the control state of every test."""
    return _controls(desk, session)


@router.post("/controls", dependencies=[Depends(May("record controls")), Depends(meant)])
def record(
    desk: TheDesk,
    session: Visitor,
    tests: Annotated[list[str] | None, Form()] = None,
    analyzer: Annotated[str, Form(max_length=200)] = "",
    state: Annotated[str, Form(max_length=20)] = "",
    note: Note = "",
    since: Annotated[str, Form(max_length=30)] = "",
    password: Password = "",
) -> Response:
    """Record one control state for the chosen tests, signed with the password.

    It is for the chosen analyzer; a line that is for one analyzer already stays with that one.
    """
    states: dict[str, Control] = {
        name: name for name in ("in control", "out of control", "unknown")
    }
    known = {row.test for row in _states(desk, [])}
    chosen = [(test, of or analyzer) for test, _, of in (t.partition("|") for t in tests or [])]
    try:
        taken_back = state == "controls"
        fits = bool(chosen) and known.issuperset(test for test, _ in chosen)
        if (state not in states and not taken_back) or not fits:
            raise RefusedError("Choose at least one test and its control state.")
        doubted = _since(desk, since) if state == "out of control" else None

        def work(tx: Transaction, who: Person, now: datetime) -> None:
            _check_analyzers(tx, {of for _, of in chosen})
            for test, of in chosen:
                if taken_back:
                    qualityacts.take_back_state(tx, who, test, of)
                else:
                    actions.set_control(tx, who, test, states[state], note.strip(), now, of)
                if doubted:
                    controls = desk.line.controls
                    qualityacts.doubt_since(tx, controls, who, test, of, doubted, now)

        desk.sign(session, password, work)
    except RefusedError as refused:
        return _controls(desk, session, told(refused), status=409)
    return see("/controls")


def _controls(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    def gather(reader: Reader) -> Content:
        return {
            "states": _states(desk, reader.controls()),
            "titles": desk.line.judge.program.catalogue.tests,
            "assumed": desk.settings.quality.without_state,
            "analyzers": _analyzers(reader),
            "refused": refused,
        }

    return desk.show("controls.html", session, gather, status=status)


def _since(desk: Desk, text: str) -> datetime | None:
    if not text:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise RefusedError("Since when results are in doubt can not be read.") from None
    return at if at.tzinfo else at.replace(tzinfo=desk.zone)


def _analyzers(reader: Reader) -> list[str]:
    return sorted({*reader.analyzers(), *(row.analyzer for row in reader.controls())} - {""})


def _check_analyzers(reader: Reader, named: set[str]) -> None:
    # A state recorded under a misspelt name would stop nothing and look as if it did.
    if unknown := named - {"", *_analyzers(reader)}:
        raise RefusedError("No analyzer is called %(unknown)s.", unknown=sorted(unknown)[0])


def _states(desk: Desk, recorded: list[ControlRow]) -> list[ControlRow]:
    """Return a row for every test that needs a control, recorded or not, and for every analyzer
    something else was recorded for."""
    by_test = {row.test: row for row in recorded if not row.analyzer}
    assumed: Control = (
        "in control" if desk.settings.quality.without_state == "assume in control" else "unknown"
    )
    return [
        row
        for test in desk.line.judge.program.catalogue.tests.values()
        if test.controlled and test.kind != "index"
        for row in (
            by_test.get(test.name) or ControlRow(test.name, assumed, "", desk.midnight(), ""),
            *(row for row in recorded if row.test == test.name and row.analyzer),
        )
    ]
