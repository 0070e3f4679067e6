"""Signing the audit log from time to time, into a folder outside the database.

Whoever changes the database afterwards would need the key as well, and every copy of the folder.
A log never signs a state that does not extend the one it signed before.
"""

import glob
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from verifier.errors import StoreError
from verifier.store.audit import LogState
from verifier.store.base import MAIN
from verifier.store.merkle import Frontier, leaf_hash
from verifier.store.notes import Checkpoint, PublicKey, read_note, sign, split_notes
from verifier.store.rows import AuditHead
from verifier.store.transaction import Reader
from verifier.store.wholefiles import append_whole, write_whole

if TYPE_CHECKING:
    from verifier.store.store import Store


class Notary:
    """The folder of checkpoints, and the private key in a file beside it."""

    def __init__(self, folder: Path, node: str = MAIN) -> None:
        """Of one log; several nodes may share the folder, each has files of its own in it."""
        own = "" if node == MAIN else f"-{node}"
        self.folder, self.node = folder, node
        self.name_in_backup = f"audit{own}.key"  # of the key
        self._notes, self._public = (
            folder / f"audit{own}.checkpoints",
            folder / f"audit{own}.public",
        )
        self.key_file = folder.with_name(f"{folder.name}{own}.key")

    def of(self, node: str) -> "Notary":
        """Return the one of another log in the same folder."""
        return Notary(self.folder, node)

    @classmethod
    def all_in(cls, folder: Path, *more: str) -> "list[Notary]":
        """Return those of all logs that have a key beside the folder, and of `more`."""
        found = {name.stem.removeprefix(f"{folder.name}-") for name in _beside(folder, "-*.key")}
        found |= {MAIN for _ in _beside(folder, ".key")}
        return [cls(folder, node) for node in sorted(found | set(more))]

    @classmethod
    def of_backup(cls, folder: Path, name: str) -> "Notary":
        """Return the one whose key has this name in a backup."""
        own = name.removeprefix("audit").removesuffix(".key")
        return cls(folder, own.removeprefix("-") or MAIN)

    def public_key(self) -> PublicKey | None:
        """Return the key checkpoints are checked with, None when nothing was signed yet."""
        try:
            return PublicKey.read(self._public.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise StoreError(f"{self._public}: {error}") from error

    def notes(self) -> list[str]:
        """Return the notes written so far, oldest first."""
        path = self._notes
        try:
            return split_notes(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return []
        except (OSError, ValueError) as error:
            raise StoreError(f"{path}: {error}") from error

    def last(self) -> Checkpoint | None:
        """Return the newest checkpoint. Raises StoreError when it is not signed by our key."""
        notes, key = self.notes(), self.public_key()
        if not notes:
            return None
        if key is None:
            raise StoreError(f"{self._public} is missing: checkpoints can not be checked")
        try:
            return read_note(notes[-1], key)
        except ValueError as error:
            raise StoreError(f"{self._notes}: {error}") from error

    def signed_at(self) -> datetime | None:
        """Return when the newest note was written, by the clock of its disk."""
        try:
            return datetime.fromtimestamp(self._notes.stat().st_mtime, UTC)
        except OSError:
            return None

    def append(self, origin: str, head: Frontier, *, first: bool) -> None:
        """Sign a head and write it to the disk for good; `first` says that none was signed before.

        Raises:
            StoreError: it can not be written; the checkpoints are as they were.
        """
        note = sign(origin, head.size, head.root(), self._key(origin, first=first))
        kept = "".join(f"{one}\n" for one in self.notes())
        try:
            append_whole(self._notes, len(kept.encode()), f"{note}\n".encode())
        except OSError as error:
            raise StoreError(f"{self._notes}: no checkpoint can be written: {error}") from error

    def _key(self, origin: str, *, first: bool) -> Ed25519PrivateKey:
        try:
            return (
                self._read_key(origin, first) if self.key_file.exists() else self._make_key(origin)
            )
        except (OSError, ValueError) as error:
            raise StoreError(f"the key {self.key_file} can not be used: {error}") from error

    def _read_key(self, origin: str, first: bool) -> Ed25519PrivateKey:
        key = serialization.load_pem_private_key(self.key_file.read_bytes(), password=None)
        if not isinstance(key, Ed25519PrivateKey):
            raise ValueError("it is not an Ed25519 key")
        public = self.public_key()
        if (
            public is None and first and not self.notes()
        ):  # stopped between writing the one and the other
            self._publish(origin, key)
        elif public is None or key.public_key().public_bytes_raw() != public.raw:
            raise ValueError(f"it does not belong to {self._public}")
        return key

    def _make_key(self, origin: str) -> Ed25519PrivateKey:
        if self.public_key() is not None:
            raise ValueError("it is missing; a new one would make the old checkpoints worthless")
        key = Ed25519PrivateKey.generate()
        self.folder.mkdir(parents=True, exist_ok=True)
        secret = key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        write_whole(self.key_file, secret, 0o600)
        self._publish(origin, key)
        return key

    def _publish(self, origin: str, key: Ed25519PrivateKey) -> None:
        public = PublicKey(origin, key.public_key().public_bytes_raw())
        write_whole(self._public, f"{public.text()}\n".encode())


def _beside(folder: Path, pattern: str) -> list[Path]:
    return list(folder.parent.glob(glob.escape(folder.name) + pattern))


def sign_log(store: "Store", notary: Notary) -> AuditHead | None:
    """Sign the head of the log if it grew since the last checkpoint; return it, else None.

    Raises:
        StoreError: the log does not extend the last checkpoint; nothing is signed.
    """
    state, head = store.read(lambda reader: _grown(reader, notary.last()))
    if head.size == state.signed.size:
        return None
    notary.append(state.origin, head, first=not state.signed.size)
    store.write(lambda tx: tx.mark_signed(head))
    return AuditHead(state.origin, head.size, head.root())


def _grown(reader: Reader, last: Checkpoint | None) -> tuple[LogState, Frontier]:
    """Return the log's state after checking that it extends `last` entry by entry."""
    state = reader.audit_state()
    start = _trusted_start(reader, state, last)
    leaves = (leaf_hash(entry.body) for entry in reader.audit_stored(start.size))
    head = start.extend(leaves)
    if head != state.head:
        raise StoreError(
            f"the audit log was altered after entry {start.size}: it is not signed. "
            "Run `verifier audit verify`."
        )
    return state, head


def _trusted_start(reader: Reader, state: LogState, last: Checkpoint | None) -> Frontier:
    """Return the frontier at the last checkpoint, whose root must be what was signed."""
    if last is None:
        return Frontier()
    start = state.signed
    if start.size < last.size:  # stopped between writing the note and remembering it
        leaves = (leaf_hash(e.body) for e in reader.audit_stored(start.size) if e.seq < last.size)
        start = start.extend(leaves)
    if (state.origin, start.size, start.root()) != (last.origin, last.size, last.root):
        raise StoreError(
            f"the audit log does not extend the checkpoint of {last.size} entries: it was cut, "
            "altered or is another database. Nothing is signed. Run `verifier audit verify`."
        )
    return start
