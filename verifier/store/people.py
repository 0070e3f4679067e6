"""People, their passwords and their sessions.

Passwords are kept as argon2id hashes (RFC 9106), session tokens as SHA-256 hashes: whoever reads
the database can sign in as nobody. Hashing a password takes long on purpose and so never happens
inside a transaction: `hash_password` and `sign_in` run in the caller's thread.
"""

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import bindparam, delete, func, insert, select, update

from verifier.errors import RefusedError
from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, instant_or_none, micros, micros_or_none
from verifier.store.rows import ROLES, Person, Role, Session
from verifier.store.sql import Statement

SHORTEST_PASSWORD = 12  # NIST SP 800-63B asks for at least 8; no composition rules
LONGEST_PASSWORD = 1024

_person, _session = schema.person, schema.session
_hasher = PasswordHasher()  # argon2id with the parameters of RFC 9106, section 4, second choice
_nobody = _hasher.hash(secrets.token_hex(16))

_columns = [column for column in _person.c if column.name != "password"]
_PEOPLE = Statement(select(*_columns).order_by(_person.c.name))
_PERSON = Statement(select(*_columns).where(_person.c.name == bindparam("who")))
_PASSWORD = Statement(select(_person.c.password).where(_person.c.name == bindparam("who")))
_ADD = Statement(insert(_person))
_CHANGE = {
    name: Statement(
        update(_person)
        .where(_person.c.name == bindparam("who"))
        .values({column: bindparam(f"new_{column}") for column in columns})
    )
    for name, columns in {
        "role": ("role",),
        "password": ("password",),
        "lock": ("locked", "failures", "locked_until"),
        "failures": ("failures", "locked_until"),
    }.items()
}
_OPEN = Statement(insert(_session))
_SESSION = Statement(
    select(_session.c.csrf, _session.c.created, _session.c.expires, *_columns)
    .select_from(_session.join(_person))
    .where(_session.c.token == bindparam("hashed"), _session.c.expires > bindparam("now"))
)
_EXTEND = Statement(
    update(_session)
    .where(_session.c.token == bindparam("hashed"))
    .values(expires=bindparam("new_expires"))
)
_CLOSE = Statement(delete(_session).where(_session.c.token == bindparam("hashed")))
_CLOSE_ALL = Statement(delete(_session).where(_session.c.person == bindparam("who")))
_OPEN_SESSIONS = Statement(
    select(func.count()).select_from(_session).where(_session.c.expires > bindparam("now"))
)
_EXPIRE = Statement(delete(_session).where(_session.c.expires <= bindparam("now")))


def hash_password(password: str) -> str:
    """Return an argon2id hash; takes tens of milliseconds, call it outside transactions.

    Raises:
        RefusedError: the password is too short or too long.
    """
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise RefusedError(
            f"A password needs at least {SHORTEST_PASSWORD} characters "
            f"and at most {LONGEST_PASSWORD}."
        )
    return _hasher.hash(password)


def password_fits(password: str, hashed: str | None) -> bool:
    """Return whether a password belongs to a hash; as slow when there is no such person."""
    try:
        return _hasher.verify(hashed or _nobody, password[:LONGEST_PASSWORD]) and hashed is not None
    except (VerificationError, InvalidHashError):
        return False


def _token_hash(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def _read_person(row: Any) -> Person:
    name, role, locked, failures, locked_until, created = row
    until = instant_or_none(locked_until)
    return Person(name, role, bool(locked), failures, until, instant(created))


class PeopleReads(Reading):
    """What can be asked about people and sessions."""

    def people(self) -> list[Person]:
        """Return everybody, by name."""
        return [_read_person(row) for row in self._all(_PEOPLE)]

    def person(self, name: str) -> Person | None:
        """Return one person."""
        row = self._one(_PERSON, who=name)
        return None if row is None else _read_person(row)

    def password_hash(self, name: str) -> str | None:
        """Return the stored hash of a person, None when there is no such person."""
        row = self._one(_PASSWORD, who=name)
        return None if row is None else str(row[0])

    def session(self, token: str, now: datetime) -> Session | None:
        """Return the session of a token that has not expired and whose person is not locked."""
        row = self._one(_SESSION, hashed=_token_hash(token), now=micros(now))
        if row is None:
            return None
        csrf, created, expires, *person = row
        who = _read_person(person)
        return None if who.locked else Session(who, csrf, instant(created), instant(expires))

    def open_sessions(self, now: datetime) -> int:
        """Return how many browsers are signed in."""
        return int(self._one(_OPEN_SESSIONS, now=micros(now))[0])


class PeopleWrites(PeopleReads, Writing):
    """What administrators and signing in change."""

    def add_person(self, name: str, role: Role, password_hash: str) -> Person:
        """Add somebody. Raises RefusedError when the name is empty or taken, the role unknown."""
        if not name.strip() or name != name.strip() or not name.isprintable():
            raise RefusedError("A name needs visible characters and no blanks at its ends.")
        if role not in ROLES:
            raise RefusedError(f"There is no role {role!r}; the roles are {', '.join(ROLES)}.")
        self.claim("people")
        if self.person(name) is not None:
            raise RefusedError(f"There is already somebody named {name!r}.")
        created = self.now()
        self._insert(_ADD, name, role, password_hash, False, 0, None, micros(created))
        self._touch("people")
        return Person(name, role, False, 0, None, created)

    def set_role(self, name: str, role: Role) -> None:
        """Give a person another role; their sessions end. Raises RefusedError."""
        if role not in ROLES:
            raise RefusedError(f"There is no role {role!r}; the roles are {', '.join(ROLES)}.")
        self._keep_an_administrator(name, stays=role == "administrator")
        self._change("role", name, new_role=role)

    def set_password(self, name: str, password_hash: str) -> None:
        """Give a person another password; their sessions end. Raises RefusedError."""
        self._change("password", name, new_password=password_hash)

    def lock_person(self, name: str) -> None:
        """Lock a person out until unlocked; their sessions end. Raises RefusedError."""
        self._keep_an_administrator(name, stays=False)
        self._change("lock", name, new_locked=True, new_failures=0, new_locked_until=None)

    def unlock_person(self, name: str) -> None:
        """Let a person in again, also after too many wrong passwords. Raises RefusedError."""
        self._change("lock", name, new_locked=False, new_failures=0, new_locked_until=None)

    def set_failures(self, name: str, failures: int, locked_until: datetime | None) -> None:
        """Record how many wrong passwords in a row somebody gave, and until when that locks."""
        until = micros_or_none(locked_until)
        self._run(_CHANGE["failures"], who=name, new_failures=failures, new_locked_until=until)

    def open_session(self, name: str, lasts: timedelta) -> str:
        """Return the token of a new session; only its hash is stored."""
        now = self.now()
        token = secrets.token_urlsafe(32)
        self._run(_EXPIRE, now=micros(now))
        self._insert(
            _OPEN, _token_hash(token), name, secrets.token_urlsafe(32), micros(now),
            micros(now + lasts),
        )  # fmt: skip
        return token

    def extend_session(self, token: str, expires: datetime) -> None:
        """Let a session last until `expires`."""
        self._run(_EXTEND, hashed=_token_hash(token), new_expires=micros(expires))

    def close_session(self, token: str) -> None:
        """End a session."""
        self._run(_CLOSE, hashed=_token_hash(token))

    def _change(self, what: str, name: str, **values: object) -> None:
        if not self._run(_CHANGE[what], who=name, **values):
            raise RefusedError(f"There is nobody named {name!r}.")
        self._run(_CLOSE_ALL, who=name)
        self._touch("people")

    def _keep_an_administrator(self, name: str, *, stays: bool) -> None:
        self.claim("people")
        able = {who.name for who in self.people() if who.role == "administrator" and not who.locked}
        if able == {name} and not stays:
            raise RefusedError("The last administrator can not be locked or given another role.")
