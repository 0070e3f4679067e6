"""Signed-in browsers: tokens kept as SHA-256 hashes, how long they last, who they are."""

import hashlib
import secrets
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import bindparam, delete, func, insert, select, update

from verifier.store import schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, micros
from verifier.store.people import PERSON_COLUMNS, read_person
from verifier.store.rows import Session, Step
from verifier.store.sql import Statement

_session = schema.session
_LONGEST_AGENT = 400
HANDLE_BYTES = 9  # of the hash of a token: enough to name it among one person's sessions

_known = select(
    _session.c.token, _session.c.csrf, _session.c.created, _session.c.expires, _session.c.until,
    _session.c.seen, _session.c.step, _session.c.agent, _session.c.address, *PERSON_COLUMNS,
).select_from(_session.join(schema.person))  # fmt: skip
_alive = _session.c.expires > bindparam("now")
_OPEN = Statement(insert(_session))
_SESSION = Statement(_known.where(_session.c.token == bindparam("hashed"), _alive))
_OF_PERSON = Statement(
    _known.where(_session.c.person == bindparam("who"), _alive).order_by(_session.c.seen.desc())
)
_EVERY = Statement(_known.where(_alive).order_by(_session.c.seen.desc()))
_OPEN_SESSIONS = Statement(select(func.count()).select_from(_session).where(_alive))
_EXTEND = Statement(
    update(_session)
    .where(_session.c.token == bindparam("hashed"))
    .values(expires=bindparam("new_expires"), seen=bindparam("new_seen"))
)
_CLOSE = Statement(delete(_session).where(_session.c.token == bindparam("hashed")))
_EXPIRE = Statement(delete(_session).where(_session.c.expires <= bindparam("now")))


def _token_hash(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def _read(row: Any) -> Session:
    token, csrf, created, expires, until, seen, step, agent, address, *person = row
    return Session(
        person=read_person(person),
        csrf=csrf,
        created=instant(created),
        expires=instant(expires),
        until=instant(until),
        seen=instant(seen),
        step=step,
        agent=agent,
        address=address,
        handle=bytes(token)[:HANDLE_BYTES].hex(),
    )


class SessionReads(Reading):
    """What can be asked about sessions."""

    def session(self, token: str, now: datetime) -> Session | None:
        """Return the session of a token that has not expired and whose person may be here."""
        row = self._one(_SESSION, hashed=_token_hash(token), now=micros(now))
        found = None if row is None else _read(row)
        gone = found is None or found.person.locked or found.person.ended(now)
        return None if gone else found

    def sessions(self, now: datetime, name: str | None = None) -> list[Session]:
        """Return the sessions of a person or of everybody, the one used last first."""
        if name is None:
            return [_read(row) for row in self._all(_EVERY, now=micros(now))]
        return [_read(row) for row in self._all(_OF_PERSON, who=name, now=micros(now))]

    def open_sessions(self, now: datetime) -> int:
        """Return how many browsers are signed in."""
        return int(self._one(_OPEN_SESSIONS, now=micros(now))[0])


class SessionWrites(SessionReads, Writing):
    """Opening, prolonging and ending sessions."""

    def open_session(
        self,
        name: str,
        lasts: timedelta,
        *,
        most: timedelta | None = None,
        step: Step = "",
        agent: str = "",
        address: str = "",
    ) -> str:
        """Return the token of a new session; only its hash is stored.

        It ends when it was not used for `lasts`, and after `most` in any case.
        """
        now = self.now()
        token = secrets.token_urlsafe(32)
        until = now + (most or lasts)
        self._run(_EXPIRE, now=micros(now))
        self._insert(
            _OPEN, _token_hash(token), name, secrets.token_urlsafe(32), micros(now),
            micros(min(now + lasts, until)), micros(until), micros(now), step,
            agent[:_LONGEST_AGENT], address,
        )  # fmt: skip
        return token

    def extend_session(self, token: str, expires: datetime) -> None:
        """Let a session last until `expires`; it is in use."""
        now = micros(self.now())
        self._run(_EXTEND, hashed=_token_hash(token), new_expires=micros(expires), new_seen=now)

    def close_session(self, token: str) -> None:
        """End a session."""
        self._run(_CLOSE, hashed=_token_hash(token))

    def end_sessions(self, name: str, handle: str = "", *, but: str = "") -> int:
        """End one session of a person, or all but the one named; return how many ended."""
        ended = 0
        for row in self._all(_OF_PERSON, who=name, now=0):
            known = bytes(row[0])[:HANDLE_BYTES].hex()
            if known != but and (not handle or known == handle):
                ended += self._run(_CLOSE, hashed=row[0])
        return ended
