"""Signing in and out."""

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.transaction import Transaction
from verifier.web.desk import TheDesk
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
    page = desk.bare("sign_in.html", {"csrf": token, "next": own_path(next), "refused": ""})
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
    """Open a session; the one this browser had before ends."""
    try:
        person = desk.check_password(name, password)
    except RefusedError as refused:
        content = {"csrf": form_token(request), "next": own_path(next), "refused": str(refused)}
        return desk.bare("sign_in.html", content, status=401)
    lasts = timedelta(minutes=desk.settings.web.session_minutes)
    before = request.cookies.get(COOKIE, "")
    if before:
        desk.store.write(lambda tx: tx.close_session(before))
    answer = see(own_path(next))
    token = desk.store.write(lambda tx: tx.open_session(person.name, lasts))
    set_cookie(answer, desk, COOKIE, token)
    answer.delete_cookie(FORM_COOKIE)
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
