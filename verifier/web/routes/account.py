"""What everybody may do with their own account: password, second factor, sessions."""

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.people import NO_PASSWORD
from verifier.store.rows import Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.catalogue import say, told
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.entering import go_on
from verifier.web.factorview import picture
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
Secret = Annotated[str, Form(max_length=2000)]
Text = Annotated[str, Form(max_length=200)]
FRESH = timedelta(minutes=10)  # so long after coming in by the provider a password may be chosen
FORM = [Depends(May("look")), Depends(meant)]


@router.get("/account", dependencies=[Depends(May("look"))])
def account(desk: TheDesk, session: Visitor) -> Response:
    """Show it."""
    return _page(desk, session)


@router.post("/account/password", dependencies=FORM)
def password(
    request: Request,
    desk: TheDesk,
    session: Visitor,
    password: Secret = "",
    new_password: Secret = "",
    again: Secret = "",
) -> Response:
    """Choose another password; sessions elsewhere end."""
    name = session.person.name
    try:
        if not _first_of_provider(desk, session):
            desk.check_password(name, password, SIGNING)
        desk.change_password(name, password, new_password, again)
    except RefusedError as refused:
        return _page(desk, session, told(refused), status=409)
    answer = see("/account")
    go_on(answer, request, desk, session, "chose another password")
    return answer


@router.post("/account/second-factor", dependencies=FORM)
def second_factor(desk: TheDesk, session: Visitor, password: Secret = "") -> Response:
    """Begin to set up a second factor, or another in place of the one there is."""
    name = session.person.name
    try:
        desk.check_password(name, password, SIGNING)
        desk.store.write(lambda tx: tx.begin_second_factor(name))
    except RefusedError as refused:
        return _page(desk, session, told(refused), status=409)
    return see("/account#second-factor")


@router.post("/account/second-factor/confirm", dependencies=FORM)
def confirm(desk: TheDesk, session: Visitor, code: Text = "") -> Response:
    """Let it count, and show the recovery codes this once."""
    name = session.person.name

    def work(tx: Transaction) -> list[str] | None:
        codes = tx.confirm_second_factor(name, code)
        if codes is not None:
            tx.audit(name, "set up a second factor", f"person:{name}")
            tx.end_sessions(name, but=session.handle)
        return codes

    codes = desk.store.write(work)
    if codes is None:
        text = say("This code does not fit. Check the clock of the device.")
        return _page(desk, session, text, status=409)
    return desk.bare("recovery.html", {"codes": codes, "on": "/account"})


@router.post("/account/sessions", dependencies=FORM)
def end(desk: TheDesk, session: Visitor, handle: Text = "") -> Response:
    """End one other session of one's own, or all others."""
    name = session.person.name

    def work(tx: Transaction) -> None:
        ended = tx.end_sessions(name, handle, but=session.handle)
        if ended:
            tx.audit(name, "ended sessions", f"person:{name}", {"ended": ended})

    desk.store.write(work)
    return see("/account#sessions")


def _first_of_provider(desk: Desk, session: Session) -> bool:
    """Return whether somebody may choose a password to sign with and has none to give.

    That the provider let them in a moment ago stands for it.
    """
    if session.person.subject is None:
        return False
    stored = desk.store.read(lambda reader: reader.password_hash(session.person.name))
    if stored != NO_PASSWORD:
        return False
    if desk.clock() - session.created > FRESH:
        raise RefusedError("Sign out and in again, then choose a password to sign with at once.")
    return True


def _page(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    name = session.person.name

    def gather(reader: Reader) -> Content:
        factor = reader.second_factor(name)
        return {
            "refused": refused,
            "sessions": reader.sessions(desk.clock(), name),
            "factor": factor,
            "picture": picture(factor.pending, name, desk.settings.laboratory),
            "required": session.person.role in desk.settings.web.second_factor,
            "has_password": reader.password_hash(name) != NO_PASSWORD,
        }

    return desk.show("account.html", session, gather, status=status)
