"""People and their passwords.

Passwords are kept as argon2id hashes (RFC 9106), session tokens as SHA-256 hashes: whoever reads
the database can sign in as nobody. Hashing a password takes long on purpose and so never happens
inside a transaction: `hash_password` and `sign_in` run in the caller's thread.
"""

from datetime import datetime
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import bindparam, delete, insert, select, update

from verifier.errors import RefusedError
from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, instant_or_none, micros, micros_or_none
from verifier.store.passwords import LONGEST_PASSWORD, check_choice
from verifier.store.rows import ROLES, Person, Role
from verifier.store.sql import Statement

_person = schema.person
_hasher = PasswordHasher()  # argon2id with the parameters of RFC 9106, section 4, second choice
# Of a password nobody knows, with the same parameters: checking it takes as long as a real one.
_nobody = (
    "$argon2id$v=19$m=65536,t=3,p=4"
    "$z7g1MOv42/x2/hR7OeBskw$LVRt3lMYZV2817mCa6y0SneauGsuGgW62MO3rCupeWk"
)

PERSON_COLUMNS = [column for column in _person.c if column.name != "password"]
_PEOPLE = Statement(select(*PERSON_COLUMNS).order_by(_person.c.name))
_PERSON = Statement(select(*PERSON_COLUMNS).where(_person.c.name == bindparam("who")))
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
        "password": ("password", "password_set"),
        "ends": ("ends",),
        "subject": ("subject",),
        "lock": ("locked", "failures", "locked_until"),
        "failures": ("failures", "locked_until"),
    }.items()
}
_BY_SUBJECT = Statement(select(*PERSON_COLUMNS).where(_person.c.subject == bindparam("subject")))
_CLOSE_ALL = Statement(delete(schema.session).where(schema.session.c.person == bindparam("who")))
_NOT_PEOPLE = {"verifier", "identity provider"}
NO_PASSWORD = ""  # fits nothing


def hash_password(password: str, *own_words: str) -> str:
    """Return an argon2id hash; takes tens of milliseconds, call it outside transactions.

    `own_words` are the name of whose it is and whatever else it must not consist of.

    Raises:
        RefusedError: the password is too short, too long or too easily guessed.
    """
    check_choice(password, *own_words)
    return _hasher.hash(password)


def password_fits(password: str, hashed: str | None) -> bool:
    """Return whether a password belongs to a hash; as slow when there is no such person."""
    try:
        return _hasher.verify(hashed or _nobody, password[:LONGEST_PASSWORD]) and hashed is not None
    except (VerificationError, InvalidHashError):
        return False


def read_person(row: Any) -> Person:
    """Return a person from the columns of `PERSON_COLUMNS`."""
    name, role, locked, failures, locked_until, created, password_set, ends, subject = row
    until, chosen, end = map(instant_or_none, (locked_until, password_set, ends))
    return Person(name, role, bool(locked), failures, until, instant(created), chosen, end, subject)


class PeopleReads(Reading):
    """What can be asked about people."""

    def people(self) -> list[Person]:
        """Return everybody, by name."""
        return [read_person(row) for row in self._all(_PEOPLE)]

    def person(self, name: str) -> Person | None:
        """Return one person."""
        row = self._one(_PERSON, who=name)
        return None if row is None else read_person(row)

    def password_hash(self, name: str) -> str | None:
        """Return the stored hash of a person, None when there is no such person."""
        row = self._one(_PASSWORD, who=name)
        return None if row is None else str(row[0])

    def person_by_subject(self, subject: str) -> Person | None:
        """Return the person an identity provider means."""
        row = self._one(_BY_SUBJECT, subject=subject)
        return None if row is None else read_person(row)


class PeopleWrites(PeopleReads, Writing):
    """What administrators and signing in change."""

    def add_person(
        self, name: str, role: Role, password_hash: str, subject: str | None = None
    ) -> Person:
        """Add somebody. Raises RefusedError when the name is empty or taken, the role unknown."""
        if not name.strip() or name != name.strip() or not name.isprintable():
            raise RefusedError("A name needs visible characters and no blanks at its ends.")
        if name.casefold() in _NOT_PEOPLE or name.startswith("command line"):
            raise RefusedError(
                "%(name)r is what the audit log calls no person; choose another.",
                name=name,
            )
        if role not in ROLES:
            raise RefusedError(
                "There is no role %(role)r; the roles are %(names)s.",
                role=role,
                names=", ".join(ROLES),
            )
        self.claim("people")
        if self.person(name) is not None:
            raise RefusedError("There is already somebody named %(name)r.", name=name)
        now = self.now()
        self._insert(
            _ADD, name, role, password_hash, False, 0, None, micros(now), micros(now), None, subject
        )
        self._touch("people")
        return Person(name, role, False, 0, None, now, now, None, subject)

    def set_role(self, name: str, role: Role) -> None:
        """Give a person another role; their sessions end. Raises RefusedError."""
        if role not in ROLES:
            raise RefusedError(
                "There is no role %(role)r; the roles are %(names)s.",
                role=role,
                names=", ".join(ROLES),
            )
        self._keep_an_administrator(name, stays=role == "administrator")
        self._change("role", name, new_role=role)

    def set_password(self, name: str, password_hash: str) -> None:
        """Give a person another password; their sessions end. Raises RefusedError."""
        now = micros(self.now())
        self._change("password", name, new_password=password_hash, new_password_set=now)

    def set_end(self, name: str, ends: datetime | None) -> None:
        """Let an account end at an instant, or never; sessions end. Raises RefusedError."""
        self._keep_an_administrator(name, stays=ends is None)
        self._change("ends", name, new_ends=micros_or_none(ends))

    def set_subject(self, name: str, subject: str | None) -> None:
        """Say whom an identity provider means; sessions end. Raises RefusedError."""
        known = self.person_by_subject(subject) if subject else None
        if known is not None and known.name != name:
            raise RefusedError("That is %(name)r already.", name=known.name)
        self._change("subject", name, new_subject=subject)

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

    def _change(self, what: str, name: str, **values: object) -> None:
        if not self._run(_CHANGE[what], who=name, **values):
            raise RefusedError("There is nobody named %(name)r.", name=name)
        self._run(_CLOSE_ALL, who=name)
        self._touch("people")

    def _keep_an_administrator(self, name: str, *, stays: bool) -> None:
        self.claim("people")
        others = any(
            who.role == "administrator" and not who.locked and who.ends is None
            for who in self.people()
            if who.name != name
        )
        known = self.person(name)
        if known is not None and known.role == "administrator" and not others and not stays:
            raise RefusedError(
                "The last administrator can not be locked, given another role or given an end."
            )
