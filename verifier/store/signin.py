"""Signing in: slow on purpose, counted, and locked after too many wrong passwords."""

from datetime import timedelta

from verifier.errors import RefusedError
from verifier.store.people import password_fits
from verifier.store.rows import Person
from verifier.store.store import Store
from verifier.store.transaction import Transaction

_WRONG = "Name or password is wrong, or this account is locked."


def sign_in(
    store: Store,
    name: str,
    password: str,
    *,
    lock_after: int = 5,
    lock_minutes: int = 15,
    purpose: str = "signed in",
) -> Person:
    """Return the person a name and password belong to; `purpose` is what the audit log says.

    Every attempt counts as a failure before the password is looked at, so that many attempts at
    the same moment count too; the right password sets the count back. Takes tens of milliseconds
    in the caller's thread and two transactions.

    Raises:
        RefusedError: wrong name or password, or locked; the sentence does not say which.
    """

    def attempt(tx: Transaction) -> str | None:
        return _count(tx, name, lock_after, timedelta(minutes=lock_minutes))

    hashed = store.write(attempt)
    if not password_fits(password, hashed):
        raise RefusedError(_WRONG)
    return store.write(lambda tx: _succeed(tx, name, purpose))


def _count(tx: Transaction, name: str, lock_after: int, lasts: timedelta) -> str | None:
    """Count an attempt; return the hash to compare with, None when the person may not try."""
    tx.claim(f"person {name}")
    person, now = tx.person(name), tx.now()
    if person is None:
        return None
    if person.locked or (person.locked_until is not None and person.locked_until > now):
        tx.audit(name, "refused at sign-in: locked", f"person:{name}")
        return None
    failures = 1 if person.locked_until is not None else person.failures + 1
    until = now + lasts if failures >= lock_after else None
    tx.set_failures(name, failures, until)
    return tx.password_hash(name)


def _succeed(tx: Transaction, name: str, purpose: str) -> Person:
    tx.set_failures(name, 0, None)
    person = tx.person(name)
    if person is None or person.locked:
        raise RefusedError(_WRONG)
    tx.audit(name, purpose, f"person:{name}")
    return person
