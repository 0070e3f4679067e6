"""Signing in by name and password, and out."""

from datetime import timedelta
from math import ceil
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.transaction import Transaction
from verifier.web.catalogue import say, told
from verifier.web.desk import AT_THE_DOOR, Desk, TheDesk
from verifier.web.entering import address_of, enter
from verifier.web.guard import (
    COOKIE,
    FORM_COOKIE,
    May,
    Visitor,
    form_token,
    meant,
    meant_before_sign_in,
    own_path,
    see,
    set_cookie,
)

router = APIRouter()


@router.get("/sign-in")
def ask(request: Request, desk: TheDesk, next: str = "/") -> Response:
    """Show the form and the cautions."""
    token = form_token(request)
    page = _form(desk, token, next)
    set_cookie(page, desk, FORM_COOKIE, token)
    return page


@router.post("/sign-in", dependencies=[Depends(meant_before_sign_in)])
def sign_in(
    request: Request,
    desk: TheDesk,
    name: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=2000)] = "",
    next: Annotated[str, Form(max_length=500)] = "/",
) -> Response:
    """Open a session, or ask for what else is owed; the session before of this browser ends."""
    address = address_of(request)
    wait = desk.slowing.wait(address, desk.clock())
    if wait:
        return _too_many(desk, form_token(request), next, wait)
    try:
        person = desk.check_password(name, password, AT_THE_DOOR)
    except RefusedError as refused:
        desk.slowing.failed(address, desk.clock())
        return _form(desk, form_token(request), next, told(refused), status=401)
    token = desk.store.write(lambda tx: enter(tx, request, desk, person, "password", proved=False))
    answer = see(own_path(next))
    set_cookie(answer, desk, COOKIE, token)
    answer.delete_cookie(FORM_COOKIE)
    return answer


def _form(desk: Desk, csrf: str, next: str, refused: str = "", *, status: int = 200) -> Response:
    oidc = desk.settings.web.oidc
    content = {
        "csrf": csrf,
        "next": own_path(next),
        "refused": refused,
        "provider": oidc.title if oidc else "",
        "local": oidc.local if oidc else "everybody",
    }
    return desk.bare("sign_in.html", content, status=status)


def _too_many(desk: Desk, csrf: str, next: str, wait: timedelta) -> Response:
    seconds = ceil(wait.total_seconds())
    text = say("Too many wrong passwords came from here. Try again in %(wait)s s.", wait=seconds)
    answer = _form(desk, csrf, next, text, status=429)
    answer.headers["Retry-After"] = str(seconds)
    return answer


@router.post("/sign-out", dependencies=[Depends(May("look")), Depends(meant)])
def sign_out(request: Request, desk: TheDesk, session: Visitor) -> Response:
    """End the session here and in the database."""
    token = request.cookies[COOKIE]

    def end(tx: Transaction) -> None:
        tx.close_session(token)
        tx.audit(session.person.name, "signed out", f"person:{session.person.name}")

    desk.store.write(end)
    answer = see("/sign-in")
    answer.delete_cookie(COOKIE)
    return answer
