"""Signing in: slow on purpose, counted, and locked after too many wrong passwords or codes."""

from collections.abc import Callable
from datetime import timedelta

from verifier.errors import RefusedError
from verifier.store.people import password_fits
from verifier.store.rows import Person
from verifier.store.store import Store
from verifier.store.transaction import Transaction
from verifier.texts import mark

WRONG = mark("Name or password is wrong, or this account is locked.")
_WRONG_CODE = mark("The code is wrong, was used before, or this account is locked.")


def _everybody(person: Person) -> bool:
    return True


def sign_in(
    store: Store,
    name: str,
    password: str,
    *,
    lock_after: int = 5,
    lock_minutes: float = 15,
    purpose: str = "signed in",
    admits: Callable[[Person], bool] = _everybody,
) -> Person:
    """Return the person a name and password belong to; `purpose` is what the audit log says.

    Every attempt counts as a failure before the password is looked at, so that many attempts at
    the same moment count too; the right password sets the count back. Where `purpose` is empty
    more is asked of the person: nothing is said and the attempts before still count. Whom `admits`
    refuses is refused as with a wrong password. Takes tens of milliseconds in the caller's thread
    and two transactions.

    Raises:
        RefusedError: wrong name or password, locked, or the account has ended; the sentence does
            not say which.
    """

    def attempt(tx: Transaction) -> str | None:
        return _count(tx, name, lock_after, timedelta(minutes=lock_minutes), admits)

    hashed = store.write(attempt)
    if not password_fits(password, hashed):
        raise RefusedError(WRONG)
    return store.write(lambda tx: _succeed(tx, name, purpose))


def give_code(
    tx: Transaction, name: str, code: str, *, lock_after: int, lock_minutes: float
) -> str | None:
    """Use up a one-time or recovery code; None when it is wrong. Wrong ones count as passwords do.

    The count is not undone with a refusal, so say no only after the transaction.
    """
    if _count(tx, name, lock_after, timedelta(minutes=lock_minutes), _everybody) is None:
        return None
    used = tx.use_code(name, code)
    if not used:
        return None
    tx.set_failures(name, 0, None)
    return used


def wrong_code() -> RefusedError:
    """Return the refusal of a code."""
    return RefusedError(_WRONG_CODE)


def _count(
    tx: Transaction,
    name: str,
    lock_after: int,
    lasts: timedelta,
    admits: Callable[[Person], bool],
) -> str | None:
    """Count an attempt; return the hash to compare with, None when the person may not try."""
    tx.claim(f"person {name}")
    person, now = tx.person(name), tx.now()
    if person is None:
        return None
    why = _refusal(person, tx, admits)
    if why:
        tx.audit(name, f"refused at sign-in: {why}", f"person:{name}")
        return None
    failures = 1 if person.locked_until is not None else person.failures + 1
    until = now + lasts if failures >= lock_after else None
    tx.set_failures(name, failures, until)
    return tx.password_hash(name)


def _refusal(person: Person, tx: Transaction, admits: Callable[[Person], bool]) -> str:
    now = tx.now()
    if person.locked or (person.locked_until is not None and person.locked_until > now):
        return "locked"
    if person.ended(now):
        return "the account has ended"
    return "" if admits(person) else "comes by way of the identity provider"


def _succeed(tx: Transaction, name: str, purpose: str) -> Person:
    tx.claim(f"person {name}")
    before = tx.person(name)
    if before is None or before.locked or before.ended(tx.now()):
        raise RefusedError(WRONG)
    # Whoever knows the password only must not get any number of guesses at the code.
    tx.set_failures(name, 0 if purpose else max(0, before.failures - 1), None)
    if purpose:
        tx.audit(name, purpose, f"person:{name}")
    found = tx.person(name)
    assert found is not None
    return found
