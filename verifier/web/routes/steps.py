"""After the right password: a code, setting up a second factor, or another password."""

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.rows import Session, Step
from verifier.store.signin import give_code, wrong_code
from verifier.web.catalogue import say, told
from verifier.web.desk import AT_THE_DOOR, Desk, TheDesk
from verifier.web.entering import address_of, go_on
from verifier.web.factorview import picture
from verifier.web.guard import Entering, entering, meant_on_entering, see

router = APIRouter()
Secret = Annotated[str, Form(max_length=2000)]
Code = Annotated[str, Form(max_length=100)]
FORM = [Depends(entering), Depends(meant_on_entering)]


@router.get("/sign-in/step", dependencies=[Depends(entering)])
def step(desk: TheDesk, session: Entering) -> Response:
    """Ask for what is owed."""
    return _page(desk, session)


@router.post("/sign-in/code", dependencies=FORM)
def code(request: Request, desk: TheDesk, session: Entering, code: Code = "") -> Response:
    """Take a one-time code, or a recovery code."""
    _owes(session, "code")
    name, web = session.person.name, desk.settings.web
    locks = {"lock_after": web.lock_after_failures, "lock_minutes": web.lock_minutes}
    used = desk.store.write(lambda tx: give_code(tx, name, code, **locks))
    if used is None:
        desk.slowing.failed(address_of(request), desk.clock())
        return _page(desk, session, told(wrong_code()), status=401)
    answer = see("/account" if used == "recovery code" else "/")
    go_on(answer, request, desk, session, f"password and {used}")
    return answer


@router.post("/sign-in/enrol", dependencies=FORM)
def enrol(request: Request, desk: TheDesk, session: Entering, code: Code = "") -> Response:
    """Confirm a new second factor by its first code, and show the recovery codes this once."""
    _owes(session, "enrol")
    name = session.person.name
    codes = desk.store.write(lambda tx: tx.confirm_second_factor(name, code))
    if codes is None:
        return _page(
            desk, session, say("This code does not fit. Check the clock of the device."), 401
        )
    answer = desk.bare("recovery.html", {"codes": codes, "on": "/"})
    go_on(answer, request, desk, session, "password and a new second factor")
    return answer


@router.post("/sign-in/password", dependencies=FORM)
def password(
    request: Request,
    desk: TheDesk,
    session: Entering,
    password: Secret = "",
    new_password: Secret = "",
    again: Secret = "",
) -> Response:
    """Take another password in place of one that is too old."""
    _owes(session, "password")
    name = session.person.name
    try:
        desk.check_password(name, password, AT_THE_DOOR)
        desk.change_password(name, password, new_password, again)
    except RefusedError as refused:
        return _page(desk, session, told(refused), status=409)
    answer = see("/")
    go_on(answer, request, desk, session, "password, and chose another")
    return answer


def _owes(session: Session, step: Step) -> None:
    if session.step != step:
        raise RefusedError("This is not what is asked for now. Go to the page for signing in.")


def _page(desk: Desk, session: Session, refused: str = "", status: int = 200) -> Response:
    pending = None
    if session.step == "enrol":
        pending = desk.store.read(lambda r: r.second_factor(session.person.name)).pending
    content = {
        "session": session,
        "refused": refused,
        "picture": picture(pending, session.person.name, desk.settings.laboratory),
    }
    return desk.bare("step.html", content, status=status)
