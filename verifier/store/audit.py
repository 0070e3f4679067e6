"""The audit log: entries that can only be added, under a tree that shows any change to them.

What is hashed are stored bytes, never something serialised again. They hold a salted hash of the
details, so that details naming a patient can be removed after their time without breaking the
tree. RFC 9162 section 2.1 gives the tree.
"""

import hashlib
import os
import secrets
from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any

from msgspec import Struct
from sqlalchemy import bindparam, func, insert, select, update

from verifier.errors import StoreError
from verifier.store import codec, schema
from verifier.store.base import Reading, Writing
from verifier.store.merkle import EMPTY, Frontier, leaf_hash
from verifier.store.rows import AuditEntry, AuditHead
from verifier.store.sql import Statement

_audit, _head = schema.audit, schema.audit_head
_entry = select(
    _audit.c.seq, _audit.c.at, _audit.c.writer, _audit.c.who, _audit.c.what, _audit.c.subject,
    _audit.c.detail,
)  # fmt: skip
_INSERT = Statement(insert(_audit))
_OF_SUBJECT = Statement(_entry.where(_audit.c.subject == bindparam("about")).order_by(_audit.c.seq))
_NEWEST = Statement(
    _entry.where(_audit.c.writer == bindparam("log"))
    .order_by(_audit.c.seq.desc())
    .limit(bindparam("most"))
)
_LOGS = Statement(select(_head.c.writer).order_by(_head.c.writer))
_FIRST_LOG = Statement(select(func.min(_audit.c.writer)))
_NEXT_LOG = Statement(select(func.min(_audit.c.writer)).where(_audit.c.writer > bindparam("after")))
_HEAD = Statement(select(_head).where(_head.c.writer == bindparam("log")))
_OWN_HEAD = Statement(select(_head).where(_head.c.writer == bindparam("log")).with_for_update())
_ADD_HEAD = Statement(insert(_head))
_SET_HEAD = Statement(
    update(_head)
    .where(_head.c.writer == bindparam("log"))
    .values(size=bindparam("new_size"), frontier=bindparam("new_frontier"))
)
_SET_SIGNED = Statement(
    update(_head)
    .where(_head.c.writer == bindparam("log"))
    .values(signed_size=bindparam("new_size"), signed_frontier=bindparam("new_frontier"))
)
_STORED = Statement(
    select(
        _audit.c.seq, _audit.c.at, _audit.c.who, _audit.c.what, _audit.c.subject, _audit.c.body,
        _audit.c.salt, _audit.c.detail, _audit.c.leaf,
    )
    .where(_audit.c.writer == bindparam("log"), _audit.c.seq >= bindparam("start"))
    .order_by(_audit.c.seq)
    .limit(bindparam("most"))
)  # fmt: skip
_PAGE = 1000
_FIRST = -(1 << 63)  # the smallest number a database holds


class StoredEntry(Struct, frozen=True):
    """An entry exactly as stored, for verification and export. `at` is in microseconds UTC."""

    seq: int
    at: int
    who: str
    what: str
    subject: str
    body: bytes
    salt: bytes
    detail: bytes | None
    leaf: bytes


class Claim(Struct, frozen=True):
    """What a database or an export says of its log: name, size and root.

    A database also says how much of it was signed, and under which root.
    """

    origin: str
    size: int
    root: bytes
    signed_size: int = 0
    signed_root: bytes = EMPTY


class LogState(Struct, frozen=True):
    """Where a log stands, and where it stood when it was last signed."""

    origin: str
    head: Frontier
    signed: Frontier


def entry_body(
    seq: int, at: int, writer: str, who: str, what: str, subject: str, digest: bytes
) -> bytes:
    """Return the bytes an entry is hashed from: a JSON array."""
    return codec.encode([seq, at, writer, who, what, subject, digest.hex()])


def detail_digest(salt: bytes, detail: bytes) -> bytes:
    """Return the salted hash by which an entry holds its details."""
    return hashlib.sha256(salt + detail).digest()


def _as_bytes(stored: object) -> Any:
    """Return what is stored as bytes; tampering may have left text where bytes were."""
    return stored if stored is None or isinstance(stored, bytes) else str(stored).encode()


def _claimed_root(size: object, packed: object) -> bytes:
    """Return the root of a stored frontier, no bytes when it makes no sense."""
    if not isinstance(size, int) or not isinstance(packed, bytes):
        return b""
    try:
        return Frontier.unpack(size, packed).root()
    except ValueError:
        return b""


def _state_of(row: Any) -> LogState:
    if row is None:
        return LogState("", Frontier(), Frontier())
    _, origin, size, frontier, signed_size, signed = row
    try:
        head, past = Frontier.unpack(size, frontier), Frontier.unpack(signed_size, signed)
    except ValueError as error:
        raise StoreError(f"the head of the audit log is damaged: {error}") from error
    return LogState(origin, head, past)


def _read_entry(row: Any) -> AuditEntry:
    seq, at, writer, who, what, subject, detail = row
    known = None if detail is None else codec.read_detail(detail)
    return AuditEntry(seq, codec.instant(at), writer, who, what, subject, known)


class AuditReads(Reading):
    """What can be asked about the audit log."""

    def audit_of(self, subject: str) -> list[AuditEntry]:
        """Return the entries on one subject (``case:7``, ``person:ann`` …), oldest first."""
        entries = [_read_entry(row) for row in self._all(_OF_SUBJECT, about=subject)]
        if len({entry.writer for entry in entries}) > 1:  # numbers of one log are in order
            entries.sort(key=lambda entry: entry.at)
        return entries

    def audit_for_case(self, case_id: int) -> list[AuditEntry]:
        """Return the entries on one case (subject ``case:<id>``), oldest first."""
        return self.audit_of(f"case:{case_id}")

    def audit_newest(self, most: int = 100) -> list[AuditEntry]:
        """Return the latest entries of all logs, newest first."""
        of_logs = [
            [_read_entry(row) for row in self._all(_NEWEST, log=log, most=most)]
            for log in self.audit_logs()
        ]
        if len(of_logs) == 1:
            return of_logs[0]
        return sorted(chain(*of_logs), key=lambda entry: entry.at, reverse=True)[:most]

    def audit_logs(self) -> list[str]:
        """Return the names of all logs, also of one whose head or whose entries are gone."""
        found = {row[0] for row in self._all(_LOGS)}
        name = self._one(_FIRST_LOG)[0]
        while name is not None:
            found.add(name)
            name = self._one(_NEXT_LOG, after=name)[0]
        return sorted(found, key=str)  # tampering may have left other things than text

    def audit_head(self) -> AuditHead:
        """Return size and root of the log as committed."""
        state = self.audit_state()
        return AuditHead(state.origin, state.head.size, state.head.root())

    def audit_claim(self) -> Claim:
        """Return what the log says of itself, without believing it."""
        row = self._one(_HEAD, log=self.node)
        if row is None:
            return Claim("", 0, EMPTY)
        _, origin, size, packed, signed_size, signed = row
        return Claim(
            origin, size, _claimed_root(size, packed), signed_size,
            _claimed_root(signed_size, signed),
        )  # fmt: skip

    def audit_state(self) -> LogState:
        """Return the frontiers of the log. Raises StoreError when their bytes make no sense."""
        return _state_of(self._one(_HEAD, log=self.node))

    def audit_stored(self, start: int = _FIRST, at_once: int = _PAGE) -> Iterator[StoredEntry]:
        """Yield the entries from number `start` on exactly as stored, in the order of numbers.

        Without `start` really all, also what somebody numbered before the first.
        """
        while page := self._all(_STORED, log=self.node, start=start, most=at_once):
            for seq, at, who, what, subject, *stored in page:
                body, salt, detail, leaf = map(_as_bytes, stored)
                yield StoredEntry(seq, at, who, what, subject, body, salt, detail, leaf)
            if not isinstance(page[-1][0], int):
                return  # no number of ours, which is a finding; text comes after all numbers
            start = page[-1][0] + 1


class AuditWrites(AuditReads, Writing):
    """Adding to the log. The frontier lives in memory for the length of one transaction."""

    _log: LogState | None = None

    def audit(
        self, who: str, what: str, subject: str, detail: Mapping[str, object] | None = None
    ) -> int:
        """Add an entry and return its number.

        `who` is a person's name or ``verifier``; `what` a verb in the past (``released``);
        `subject` a kind and an id (``case:7``). Only `detail` may name a patient.
        """
        state = self._state()
        seq, at = state.head.size, codec.micros(self.now())
        salt, stored = os.urandom(16), codec.encode(detail or {})
        digest = detail_digest(salt, stored)
        body = entry_body(seq, at, self.node, who, what, subject, digest)
        leaf = leaf_hash(body)
        self._insert(_INSERT, self.node, seq, at, who, what, subject, body, salt, stored, leaf)
        self._log = LogState(state.origin, state.head.append(leaf), state.signed)
        return seq

    def mark_signed(self, signed: Frontier) -> None:
        """Remember where the log stood when it was signed."""
        self._state()
        self._run(_SET_SIGNED, log=self.node, new_size=signed.size, new_frontier=signed.pack())

    def _state(self) -> LogState:
        if self._log is None:
            self._log = _state_of(self._one(_OWN_HEAD, log=self.node))
            if not self._log.origin:
                self._log = LogState(f"audit-{secrets.token_hex(8)}", Frontier(), Frontier())
                self._insert(_ADD_HEAD, self.node, self._log.origin, 0, b"", 0, b"")
        return self._log

    def _store_head(self) -> None:
        """Write the frontier back; called once before the commit."""
        if self._log is not None:
            head = self._log.head
            self._run(_SET_HEAD, log=self.node, new_size=head.size, new_frontier=head.pack())
