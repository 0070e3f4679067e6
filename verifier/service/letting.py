"""Whom an identity provider let in becomes a person here, or is refused; both are on record."""

from typing import TYPE_CHECKING

from verifier.entrance import Oidc, Web
from verifier.errors import RefusedError
from verifier.store.people import NO_PASSWORD
from verifier.store.rows import Person
from verifier.store.store import Store
from verifier.store.transaction import Transaction

if TYPE_CHECKING:  # a page without a provider does not wait for its libraries
    from verifier.service.provider import Identity

WHO = "identity provider"


def let_in(store: Store, identity: "Identity", web: Web) -> Person:
    """Return the person, made or given another role as the provider says.

    Raises:
        RefusedError: unknown and not to be made, locked, ended, or the name belongs to somebody.
    """
    assert web.oidc is not None
    oidc = web.oidc
    try:
        return store.write(lambda tx: _let_in(tx, identity, oidc))
    except RefusedError as refused:
        detail = {"name": identity.name, "subject": identity.subject, "why": str(refused)}
        store.write(lambda tx: tx.audit(WHO, "refused at sign-in", "provider", detail))
        raise


def _let_in(tx: Transaction, identity: "Identity", oidc: Oidc) -> Person:
    tx.claim("people")
    person = tx.person_by_subject(identity.subject)
    if person is None:
        return _made(tx, identity, oidc)
    if person.locked or person.ended(tx.now()):
        raise RefusedError("This account is locked or has ended.")
    if person.role != identity.role:
        tx.set_role(person.name, identity.role)
        tx.audit(WHO, "changed a role", f"person:{person.name}", {"role": identity.role})
    known = tx.person(person.name)
    assert known is not None
    return known


def _made(tx: Transaction, identity: "Identity", oidc: Oidc) -> Person:
    if oidc.new_people == "refuse":
        raise RefusedError(
            "You are not known here yet. Ask an administrator to let you in: the audit log shows "
            "whom the identity provider named."
        )
    if tx.person(identity.name) is not None:
        raise RefusedError("There is already somebody named %(name)r here.", name=identity.name)
    made = tx.add_person(identity.name, identity.role, NO_PASSWORD, identity.subject)
    detail = {"role": identity.role, "subject": identity.subject}
    tx.audit(WHO, "added a person", f"person:{identity.name}", detail)
    return made
