"""Who is asking, may they, and did they mean to: sessions, roles, forged requests."""

import hmac
import secrets
from datetime import timedelta
from typing import Annotated

from fastapi import Depends, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from verifier.errors import VerifierError
from verifier.store.rows import Session
from verifier.web.catalogue import say
from verifier.web.desk import Desk, TheDesk
from verifier.web.roles import ABILITIES

COOKIE = "verifier_session"
SEEN_EVERY = timedelta(minutes=1)  # how exactly it is known when a session was last used
LARGEST_ID = 2**63 - 1
FORM_COOKIE = "verifier_form"  # binds the sign-in form to the browser before there is a session


class NotSignedInError(VerifierError):
    """Nobody is signed in, or not any more."""


class OwingError(NotSignedInError):
    """The password was right, and something else is owed before anything opens."""


class ForbiddenError(VerifierError):
    """The role does not allow it, or the request was not made by our own form."""

    def __init__(self, text: str, session: Session | None = None) -> None:
        super().__init__(text)
        self.session = session


def signed_in(request: Request, desk: TheDesk) -> Session:
    """Return the session of the request and let it last longer.

    Raises:
        NotSignedInError: no cookie, an unknown or an expired session, or a step is owed.
    """
    session, now = watching(request, desk), desk.clock()
    if now - session.seen >= SEEN_EVERY:
        lasts = timedelta(minutes=desk.settings.web.session_minutes)
        token, expires = request.cookies[COOKIE], min(now + lasts, session.until)
        desk.store.write(lambda tx: tx.extend_session(token, expires))
    return session


def watching(request: Request, desk: TheDesk) -> Session:
    """Return the session of a request that is no act of a person and prolongs nothing."""
    session = _known(desk, request.cookies.get(COOKIE, ""))
    if session is None:
        raise NotSignedInError(say("Sign in first."))
    if session.step:
        raise OwingError(say("Signing in is not finished."))
    return session


def entering(request: Request, desk: TheDesk) -> Session:
    """Return the session of somebody who gave the password and owes more.

    Raises:
        NotSignedInError: there is no such session.
    """
    session = _known(desk, request.cookies.get(COOKIE, ""))
    if session is None or not session.step:
        raise NotSignedInError(say("Sign in first."))
    return session


def _known(desk: Desk, token: str) -> Session | None:
    if not token:
        return None
    return desk.store.read(lambda reader: reader.session(token, desk.clock()))


Visitor = Annotated[Session, Depends(signed_in)]
Entering = Annotated[Session, Depends(entering)]


class May:
    """A dependency: the visitor's role has this ability. Every route but the open ones has one."""

    def __init__(self, ability: str) -> None:
        self.ability = ability
        self.roles = ABILITIES[ability]

    def __call__(self, session: Visitor) -> None:
        """Raise ForbiddenError when the role does not allow it."""
        if session.person.role not in self.roles:
            raise ForbiddenError(
                say(
                    "Signed in as %(role)s, you may not %(act)s.",
                    role=say(session.person.role),
                    act=say(self.ability),
                ),
                session,
            )


async def meant(request: Request, session: Visitor) -> None:
    """Check that a form of ours was sent. Raises ForbiddenError."""
    _same_site(request)
    form = await request.form()
    _same_token(form.get("csrf"), session.csrf)


async def meant_on_entering(request: Request, session: Entering) -> None:
    """The same for somebody who owes a step."""
    _same_site(request)
    form = await request.form()
    _same_token(form.get("csrf"), session.csrf)


async def meant_by_page(request: Request, session: Annotated[Session, Depends(watching)]) -> None:
    """The same for what an open page sends by itself; it prolongs nothing."""
    await meant(request, session)


async def meant_before_sign_in(request: Request) -> None:
    """The same while nobody is signed in: form and cookie carry the same random text."""
    _same_site(request)
    form = await request.form()
    _same_token(form.get("csrf"), request.cookies.get(FORM_COOKIE, ""))


def _same_site(request: Request) -> None:
    site = request.headers.get("sec-fetch-site", "same-origin")  # absent outside browsers
    if site not in {"same-origin", "none"}:
        raise ForbiddenError(say("This request came from another site and was not carried out."))


def _same_token(given: object, expected: str) -> None:
    fits = (
        isinstance(given, str)
        and expected
        and hmac.compare_digest(given.encode(), expected.encode())
    )
    if not fits:
        raise ForbiddenError(
            say(
                "This form was not made for your present session and was not carried out. "
                "Go back, load the page again and repeat."
            )
        )


def numbers_fit(request: Request) -> None:
    """Say of a number in a path that no row can have that there is none such; databases fail."""
    for value in request.path_params.values():
        digits = str(value).lstrip("-")
        if digits.isdecimal() and int(digits) > LARGEST_ID:
            raise HTTPException(404, say("There is no such number"))


def set_cookie(response: Response, desk: Desk, name: str, value: str) -> None:
    """Set a cookie that scripts can not read and other sites can not send."""
    response.set_cookie(
        name, value, httponly=True, samesite="strict", secure=desk.settings.web.encrypted
    )


def form_token(request: Request) -> str:
    """Return the random text of this browser, or a new one."""
    return request.cookies.get(FORM_COOKIE) or secrets.token_urlsafe(32)


def see(path: str) -> RedirectResponse:
    """Return the answer to a form that was carried out: look there."""
    return RedirectResponse(path, status_code=303)


def own_path(path: str) -> str:
    """Return a path of this page, the queue for anything else: no redirect leaves the site."""
    plain = path.startswith("/") and not path.startswith("//")
    return path if plain and "\\" not in path and path.isprintable() else "/"
