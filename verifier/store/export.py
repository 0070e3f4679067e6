"""The audit log as a file of JSON lines, to be kept and verified anywhere without the database.

First line: ``{"log", "size", "root", "key", "checkpoints"}``; then one line per entry:
``{"seq", "body", "salt", "detail"}``. `body` is hashed byte for byte as UTF-8; `detail` may name
patients and can be left out, the log still verifies. Every line has one spelling only.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO, TypeVar

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from verifier.errors import StoreError
from verifier.store.audit import Claim, StoredEntry
from verifier.store.merkle import leaf_hash
from verifier.store.notes import PublicKey
from verifier.store.verify import Report, verify

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
        line = Line(entry.seq, _text(entry.body), "", None)
        if details and entry.detail is not None:  # without them a salt helps to guess them only
            line = Line(entry.seq, line.body, entry.salt.hex(), _text(entry.detail))
        file.write(msgspec.json.encode(line) + b"\n")
        count += 1
    return count


@dataclass
class Export:
    """An export being read: entries are read as they are asked for, and `faults` grow with them."""

    claim: Claim
    header: Header
    entries: Iterator[StoredEntry]
    faults: list[str]


def read_export(file: BinaryIO) -> Export:
    """Begin to read an export.

    Raises:
        StoreError: a line is not one of an export; it says which. Later lines raise it as well.
    """
    faults: list[str] = []
    header = _decode(file.readline(), Header, 1, faults)
    try:
        claim = Claim(header.log, header.size, bytes.fromhex(header.root))
    except ValueError as error:
        raise StoreError("line 1 of the export: the root is not hexadecimal") from error
    return Export(claim, header, _entries(file, faults), faults)


def verify_export(file: BinaryIO, notes: Sequence[str] | None, key: PublicKey | None) -> Report:
    """Check an export against itself, and against checkpoints and a key kept elsewhere.

    Raises:
        StoreError: a line is not one of an export. ValueError: the key in it is none.
    """
    export = read_export(file)
    own = export.header.checkpoints
    inside = PublicKey.read(export.header.key) if export.header.key else None
    if key is not None and (own or inside) and inside != key:
        export.faults.append("the export names another key than the one it is checked with")
    every = dict.fromkeys((*(notes or ()), *own))
    if len(own) > len(set(own)):
        export.faults.append("a checkpoint stands twice in the export")
    report = verify(export.entries, export.claim, list(every), key or inside, "")
    said = []
    if notes is not None and own != tuple(notes[: len(own)]):
        export.faults.append("the checkpoints in the export are not the first ones kept elsewhere")
    elif notes is not None and len(own) < len(notes):
        said.append(
            f"{len(notes) - len(own)} checkpoints kept elsewhere are not in the export: signed "
            "after it was written, or taken out"
        )
    return replace(report, findings=(*export.faults, *report.findings), said=tuple(said))


def _entries(file: BinaryIO, faults: list[str]) -> Iterator[StoredEntry]:
    for number, text in enumerate(file, start=2):
        line = _decode(text, Line, number, faults)
        body = line.body.encode()
        try:
            salt, shown = bytes.fromhex(line.salt), msgspec.json.decode(body, type=Shown)
        except (ValueError, msgspec.MsgspecError):
            salt, shown = b"", Shown()
        if salt.hex() != line.salt:
            faults.append(f"line {number}: the salt is not spelled as it was written")
        detail = None if line.detail is None else line.detail.encode()
        yield StoredEntry(
            line.seq, shown.at, shown.who, shown.what, shown.subject, body, salt, detail,
            leaf_hash(body),
        )  # fmt: skip


def _decode(text: bytes, kind: type[T], number: int, faults: list[str]) -> T:
    try:
        read = msgspec.json.decode(text, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise StoreError(f"line {number} of the export can not be read: {error}") from error
    if msgspec.json.encode(read) + b"\n" != text:
        faults.append(f"line {number}: it is not spelled as it was written")
    return read


def _text(stored: bytes) -> str:
    return stored.decode("utf-8", errors="replace")
