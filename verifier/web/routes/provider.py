"""Signing in by way of an identity provider."""

import secrets
from urllib.parse import quote, unquote

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from verifier.errors import RefusedError
from verifier.service.letting import let_in
from verifier.web.catalogue import say, told
from verifier.web.desk import Desk, TheDesk
from verifier.web.entering import address_of, enter
from verifier.web.guard import COOKIE, own_path, set_cookie

router = APIRouter()
AWAY = "verifier_away"  # a random text and where to go afterwards, while the browser is away
AWAY_SECONDS = 600


@router.get("/sign-in/provider")
def leave(desk: TheDesk, next: str = "/") -> Response:
    """Send the browser to the provider."""
    try:
        secret = secrets.token_urlsafe(32)
        answer = RedirectResponse(desk.provider().begin(secret), status_code=303)
    except RefusedError as refused:
        return _failed(desk, told(refused))
    value = f"{secret}.{quote(own_path(next), safe='')}"
    # It comes back from another site: a strict cookie would not be sent with that.
    answer.set_cookie(
        AWAY,
        value,
        max_age=AWAY_SECONDS,
        path="/sign-in/provider",
        httponly=True,
        samesite="lax",
        secure=desk.settings.web.encrypted,
    )
    return answer


@router.get("/sign-in/provider/back")
def back(request: Request, desk: TheDesk) -> Response:
    """Open a session for whom the provider let in.

    The page that answers leads on by itself: a redirect would count as coming from the other site,
    and the session's cookie is not sent with that.
    """
    secret, _, after = request.cookies.get(AWAY, "").partition(".")
    address = address_of(request)
    try:
        _not_too_fast(desk, address)
        identity = desk.provider().finish(secret, dict(request.query_params))
        person = let_in(desk.store, identity, desk.settings.web)
    except RefusedError as refused:
        desk.slowing.failed(address, desk.clock())
        answer = _failed(desk, told(refused))
    else:
        how = "the identity provider"
        token = desk.store.write(lambda tx: enter(tx, request, desk, person, how, proved=False))
        answer = desk.bare("go_on.html", {"on": own_path(unquote(after) or "/")})
        set_cookie(answer, desk, COOKIE, token)
    answer.delete_cookie(AWAY, path="/sign-in/provider")
    return answer


def _not_too_fast(desk: Desk, address: str) -> None:
    if desk.slowing.wait(address, desk.clock()):
        raise RefusedError("Too many attempts failed from here. Try again in some minutes.")


def _failed(desk: Desk, text: str) -> Response:
    return desk.bare("refusal.html", {"title": say("Not signed in"), "text": text}, status=403)
