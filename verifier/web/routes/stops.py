"""What people stop and what they vouch for: suspensions and control states."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.facts.case import Control
from verifier.service import actions, qualityacts
from verifier.store.rows import ControlRow, Session
from verifier.store.transaction import Reader, Transaction
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
        return _suspension(desk, session, str(refused), status=409)
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
        return _suspension(desk, session, str(refused), status=409)
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
    state: Annotated[str, Form(max_length=20)] = "",
    note: Note = "",
    password: Password = "",
) -> Response:
    """Record one control state for the chosen tests, signed with the password."""
    states: dict[str, Control] = {
        name: name for name in ("in control", "out of control", "unknown")
    }
    known = {row.test for row in _states(desk, [])}
    try:
        taken_back = state == "controls"
        if (state not in states and not taken_back) or not tests or not known.issuperset(tests):
            raise RefusedError("Choose at least one test and its control state.")
        who, now = desk.check_password(session.person.name, password, SIGNING), desk.clock()

        def work(tx: Transaction) -> None:
            for test in tests:
                if taken_back:
                    qualityacts.take_back_state(tx, who, test)
                else:
                    actions.set_control(tx, who, test, states[state], note.strip(), now)

        desk.store.write(work)
    except RefusedError as refused:
        return _controls(desk, session, str(refused), status=409)
    return see("/controls")


def _controls(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    def gather(reader: Reader) -> Content:
        return {
            "states": _states(desk, reader.controls()),
            "titles": desk.line.judge.program.catalogue.tests,
            "assumed": desk.settings.quality.without_state,
            "refused": refused,
        }

    return desk.show("controls.html", session, gather, status=status)


def _states(desk: Desk, recorded: list[ControlRow]) -> list[ControlRow]:
    """Return a row for every test that needs a control, recorded or not."""
    by_test = {row.test: row for row in recorded}
    assumed: Control = (
        "in control" if desk.settings.quality.without_state == "assume in control" else "unknown"
    )
    return [
        by_test.get(test.name) or ControlRow(test.name, assumed, "", desk.midnight(), "")
        for test in desk.line.judge.program.catalogue.tests.values()
        if test.controlled and test.kind != "index"
    ]
