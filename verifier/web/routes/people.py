"""Accounts: who may sign in and as what. For administrators, each change signed."""

from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.service.days import end_of
from verifier.store.people import hash_password
from verifier.store.rows import ROLES, Role, Session
from verifier.store.transaction import Reader, Transaction
from verifier.web.catalogue import told
from verifier.web.desk import SIGNING, Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
Text = Annotated[str, Form(max_length=200)]
Secret = Annotated[str, Form(max_length=2000)]


@router.get("/people", dependencies=[Depends(May("manage people"))])
def people(desk: TheDesk, session: Visitor) -> Response:
    """Show everybody."""
    return _people(desk, session)


@router.post("/people", dependencies=[Depends(May("manage people")), Depends(meant)])
def change(
    desk: TheDesk,
    session: Visitor,
    act: Text = "",
    name: Text = "",
    role: Text = "",
    last_day: Text = "",
    new_password: Secret = "",
    password: Secret = "",
) -> Response:
    """Add somebody, or change role, lock, end, password or second factor of somebody."""
    own_words = (name, desk.settings.laboratory)
    try:
        work = _work(act, name.strip(), role, end_of(last_day, desk.zone))
        desk.check_password(session.person.name, password, SIGNING)
        hashed = hash_password(new_password, *own_words) if act in ("add", "password") else ""

        def signed(tx: Transaction) -> None:
            work(tx, hashed)
            given = {"role": role, "last day": last_day}
            detail = {word: given[word] for word in _DETAIL.get(act, ())}
            tx.audit(session.person.name, _SAID[act], f"person:{name.strip()}", detail)

        desk.store.write(signed)
    except RefusedError as refused:
        return _people(desk, session, told(refused), status=409)
    return see("/people")


@router.post("/people/sessions", dependencies=[Depends(May("manage people")), Depends(meant)])
def end_sessions(desk: TheDesk, session: Visitor, name: Text = "", handle: Text = "") -> Response:
    """End one session of somebody, or all of them; one's own present one stays."""

    def work(tx: Transaction) -> None:
        ended = tx.end_sessions(name, handle, but=session.handle)
        if ended:
            detail = {"ended": ended}
            tx.audit(session.person.name, "ended sessions", f"person:{name}", detail)

    desk.store.write(work)
    return see("/people#sessions")


_DETAIL = {"add": ("role",), "role": ("role",), "end": ("last day",)}
_SAID = {
    "add": "added a person",
    "role": "changed a role",
    "lock": "locked a person",
    "unlock": "unlocked a person",
    "password": "set a password",
    "end": "set the end of an account",
    "second": "took away a second factor",
}


def _work(
    act: str, name: str, role: str, ends: datetime | None
) -> Callable[[Transaction, str], Any]:
    chosen: Role | None = next((known for known in ROLES if known == role), None)
    if act in ("add", "role") and chosen is None:
        raise RefusedError("Choose a role: %(names)s.", names=", ".join(ROLES))
    known: dict[str, Callable[[Transaction, str], Any]] = {
        "add": lambda tx, hashed: tx.add_person(name, chosen or "technologist", hashed),
        "role": lambda tx, hashed: tx.set_role(name, chosen or "technologist"),
        "lock": lambda tx, hashed: tx.lock_person(name),
        "unlock": lambda tx, hashed: tx.unlock_person(name),
        "password": lambda tx, hashed: tx.set_password(name, hashed),
        "end": lambda tx, hashed: tx.set_end(name, ends),
        "second": lambda tx, hashed: tx.remove_second_factor(name),
    }
    if act not in known:
        raise RefusedError("Choose what is to be changed.")
    return known[act]


def _people(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    def gather(reader: Reader) -> Content:
        return {
            "everybody": reader.people(),
            "roles": ROLES,
            "refused": refused,
            "with_factor": reader.with_second_factor(),
            "sessions": reader.sessions(desk.clock()),
        }

    return desk.show("people.html", session, gather, status=status)
