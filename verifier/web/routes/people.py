"""Accounts: who may sign in and as what. For administrators, each change signed."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError
from verifier.store.people import hash_password
from verifier.store.rows import ROLES, Role, Session
from verifier.store.transaction import Transaction
from verifier.web.desk import SIGNING, Desk, TheDesk
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
    new_password: Secret = "",
    password: Secret = "",
) -> Response:
    """Add somebody, or change role, lock or password of somebody."""
    try:
        work = _work(act, name.strip(), role)
        desk.check_password(session.person.name, password, SIGNING)
        hashed = hash_password(new_password) if act in ("add", "password") else ""

        def signed(tx: Transaction) -> None:
            work(tx, hashed)
            detail = {"role": role} if act in ("add", "role") else {}
            tx.audit(session.person.name, _SAID[act], f"person:{name.strip()}", detail)

        desk.store.write(signed)
    except RefusedError as refused:
        return _people(desk, session, str(refused), status=409)
    return see("/people")


_SAID = {
    "add": "added a person",
    "role": "changed a role",
    "lock": "locked a person",
    "unlock": "unlocked a person",
    "password": "set a password",
}


def _work(act: str, name: str, role: str) -> Callable[[Transaction, str], Any]:
    chosen: Role | None = next((known for known in ROLES if known == role), None)
    if act in ("add", "role") and chosen is None:
        raise RefusedError(f"Choose a role: {', '.join(ROLES)}.")
    known: dict[str, Callable[[Transaction, str], Any]] = {
        "add": lambda tx, hashed: tx.add_person(name, chosen or "technologist", hashed),
        "role": lambda tx, hashed: tx.set_role(name, chosen or "technologist"),
        "lock": lambda tx, hashed: tx.lock_person(name),
        "unlock": lambda tx, hashed: tx.unlock_person(name),
        "password": lambda tx, hashed: tx.set_password(name, hashed),
    }
    if act not in known:
        raise RefusedError("Choose what is to be changed.")
    return known[act]


def _people(desk: Desk, session: Session, refused: str = "", *, status: int = 200) -> Response:
    return desk.show(
        "people.html",
        session,
        lambda reader: {"everybody": reader.people(), "roles": ROLES, "refused": refused},
        status=status,
    )
