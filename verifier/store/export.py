"""The audit log as a file of JSON lines, to be kept and verified anywhere without the database.

First line: ``{"log", "size", "root", "key", "checkpoints"}``; then one line per entry:
``{"seq", "body", "salt", "detail"}``. `body` is hashed byte for byte as UTF-8; `detail` may name
patients and can be left out, the log still verifies.
"""

from collections.abc import Iterable, Iterator
from typing import BinaryIO, TypeVar

import msgspec
from msgspec import Struct

from verifier.errors import StoreError
from verifier.store.audit import Claim, StoredEntry
from verifier.store.merkle import leaf_hash
from verifier.store.notes import PublicKey

T = TypeVar("T")


class Header(Struct, frozen=True, forbid_unknown_fields=True):
    """The first line of an export."""

    log: str
    size: int
    root: str
    key: str
    checkpoints: tuple[str, ...]


class Line(Struct, frozen=True, forbid_unknown_fields=True):
    """One entry of an export."""

    seq: int
    body: str
    salt: str
    detail: str | None


class Shown(Struct, frozen=True, array_like=True):
    """The fields inside the text of an entry, in their order."""

    seq: int = -1
    at: int = 0
    writer: str = ""
    who: str = ""
    what: str = ""
    subject: str = ""


def write_export(
    file: BinaryIO,
    claim: Claim,
    notes: Iterable[str],
    key: PublicKey | None,
    entries: Iterable[StoredEntry],
    *,
    details: bool = True,
) -> int:
    """Write an export and return how many entries it holds."""
    text = key.text() if key else ""
    header = Header(claim.origin, claim.size, claim.root.hex(), text, tuple(notes))
    file.write(msgspec.json.encode(header) + b"\n")
    count = 0
    for entry in entries:
        detail = _text(entry.detail) if details and entry.detail is not None else None
        line = Line(entry.seq, _text(entry.body), entry.salt.hex(), detail)
        file.write(msgspec.json.encode(line) + b"\n")
        count += 1
    return count


def read_export(file: BinaryIO) -> tuple[Claim, Header, Iterator[StoredEntry]]:
    """Read an export; entries are read as they are asked for.

    Raises:
        StoreError: a line is not one of an export; it says which.
    """
    header = _decode(file.readline(), Header, 1)
    try:
        claim = Claim(header.log, header.size, bytes.fromhex(header.root))
    except ValueError as error:
        raise StoreError("line 1 of the export: the root is not hexadecimal") from error
    return claim, header, _entries(file)


def _entries(file: BinaryIO) -> Iterator[StoredEntry]:
    for number, text in enumerate(file, start=2):
        line = _decode(text, Line, number)
        body = line.body.encode()
        try:
            salt, shown = bytes.fromhex(line.salt), msgspec.json.decode(body, type=Shown)
        except (ValueError, msgspec.MsgspecError):
            salt, shown = b"", Shown()
        detail = None if line.detail is None else line.detail.encode()
        yield StoredEntry(
            line.seq, shown.at, shown.who, shown.what, shown.subject, body, salt, detail,
            leaf_hash(body),
        )  # fmt: skip


def _decode(text: bytes, kind: type[T], number: int) -> T:
    try:
        return msgspec.json.decode(text, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise StoreError(f"line {number} of the export can not be read: {error}") from error


def _text(stored: bytes) -> str:
    return stored.decode("utf-8", errors="replace")
