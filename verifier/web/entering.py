"""From the right password to an open session: what else is owed, and what goes on record."""

from datetime import datetime, timedelta

from fastapi import Request
from fastapi.responses import Response

from verifier.entrance import Web
from verifier.store.rows import Person, Session, Step
from verifier.store.transaction import Reader, Transaction
from verifier.web.desk import Desk
from verifier.web.guard import COOKIE, set_cookie

STEP_LASTS = timedelta(minutes=10)
_OWED: dict[Step, str] = {
    "code": "gave the password and has to give a code",
    "enrol": "gave the password and has to set up a second factor",
    "password": "gave a password that is too old",
}


def next_step(reader: Reader, person: Person, web: Web, now: datetime, *, proved: bool) -> Step:
    """Return what a person still owes; `proved` says that a code was given, if there is one.

    Whom the identity provider lets in owes it what it asks for, and a code only if they set up one
    here.
    """
    has = reader.second_factor(person.name).secret is not None
    if has and not proved:
        return "code"
    if person.subject is not None:
        return ""
    if not has and person.role in web.second_factor:
        return "enrol"
    return "password" if password_too_old(person, web, now) else ""


def password_too_old(person: Person, web: Web, now: datetime) -> bool:
    """Return whether the laboratory wants another password by now."""
    since = person.password_set or person.created
    return bool(web.password_days) and since + timedelta(days=web.password_days) <= now


def enter(
    tx: Transaction, request: Request, desk: Desk, person: Person, how: str, *, proved: bool
) -> str:
    """Open the session, or the step before it, in place of what this browser had before."""
    web = desk.settings.web
    before = request.cookies.get(COOKIE, "")
    if before:
        tx.close_session(before)
    step = next_step(tx, person, web, tx.now(), proved=proved)
    if step == "enrol":
        tx.begin_second_factor(person.name)
    lasts = STEP_LASTS if step else timedelta(minutes=web.session_minutes)
    most = STEP_LASTS if step else timedelta(hours=web.session_hours)
    address = address_of(request)
    detail = {"how": how, "address": address}
    tx.audit(person.name, _OWED.get(step, "signed in"), f"person:{person.name}", detail)
    agent = request.headers.get("user-agent", "")
    return tx.open_session(person.name, lasts, most=most, step=step, agent=agent, address=address)


def go_on(answer: Response, request: Request, desk: Desk, session: Session, how: str) -> None:
    """Open what comes after a step that was done, and let the answer carry its cookie."""

    def work(tx: Transaction) -> str:
        person = tx.person(session.person.name)
        assert person is not None
        return enter(tx, request, desk, person, how, proved=True)

    set_cookie(answer, desk, COOKIE, desk.store.write(work))


def address_of(request: Request) -> str:
    """Return where a request comes from, as far as the server or a proxy beside it knows."""
    return request.client.host if request.client else ""
