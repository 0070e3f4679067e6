"""Shows of single entries that they are in the signed audit log, without reading all of it.

The proof is that of RFC 9162 section 2.1.3: the hashes beside the way from an entry to the root
that was signed. The log is cut into blocks of equal size, whose roots are nodes of the tree
(section 2.1.1 splits at powers of two) and are kept: only the block of the entry is read. A kept
root that were wrong could prove nothing, as it would not lead to what was signed.
"""

from collections.abc import Collection
from threading import Lock
from typing import Literal

from msgspec import Struct
from sqlalchemy import bindparam, select

from verifier.store import schema
from verifier.store.audit import AuditReads, StoredEntry
from verifier.store.merkle import inclusion_proof, leaf_hash, root_of, verify_inclusion
from verifier.store.notes import Checkpoint
from verifier.store.sql import Statement
from verifier.store.verify import faults

BLOCK = 4096  # a power of two

_audit = schema.audit
_LEAVES = Statement(
    select(_audit.c.leaf)
    .where(
        _audit.c.writer == bindparam("log"),
        _audit.c.seq >= bindparam("start"),
        _audit.c.seq < bindparam("stop"),
    )
    .order_by(_audit.c.seq)
)


class EntryStanding(Struct, frozen=True):
    """What can be shown of entry `seq` of a log; `size` entries were signed at `state` signed."""

    seq: int
    state: Literal["signed", "not signed yet", "not as signed"]
    size: int


class InclusionReads(AuditReads):
    """The parts of a log that a proof is made of."""

    def audit_leaves(self, start: int, stop: int) -> list[bytes]:
        """Return the stored hashes of the entries `start` up to, not including, `stop`."""
        return [leaf for (leaf,) in self._all(_LEAVES, log=self.node, start=start, stop=stop)]

    def audit_entry(self, seq: int) -> StoredEntry | None:
        """Return one entry exactly as stored."""
        found = next(self.audit_stored(seq, at_once=1), None)
        return found if found and found.seq == seq else None


class Proofs:
    """Proves entries of the logs of one store; may be used from any thread."""

    def __init__(self) -> None:
        self._roots: dict[str, list[bytes]] = {}
        self._lock = Lock()

    def of(
        self, reader: InclusionReads, last: Checkpoint | None, entries: Collection[int]
    ) -> list[EntryStanding]:
        """Return what can be shown of entries of the log `reader` reads, by number.

        `last` is the newest checkpoint of that log, None where nothing was signed.
        """
        with self._lock:
            found = [self._entry(reader, last, seq) for seq in sorted(entries)]
            if any(one.state == "not as signed" for one in found):
                self._roots.pop(reader.node, None)  # the log may be mended; begin afresh then
        return found

    def _entry(self, reader: InclusionReads, last: Checkpoint | None, seq: int) -> EntryStanding:
        entry = reader.audit_entry(seq)
        if entry is None or faults(entry, seq, reader.node):
            return EntryStanding(seq, "not as signed", last.size if last else 0)
        if last is None or seq >= last.size:
            return EntryStanding(seq, "not signed yet", last.size if last else 0)
        proof = self._proof(reader, last.size, seq)
        proven = verify_inclusion(leaf_hash(entry.body), seq, last.size, proof, last.root)
        return EntryStanding(seq, "signed" if proven else "not as signed", last.size)

    def _proof(self, reader: InclusionReads, size: int, seq: int) -> list[bytes]:
        """Return the hashes beside the way up; too few where entries are missing."""
        block, start = seq // BLOCK, seq // BLOCK * BLOCK
        leaves = reader.audit_leaves(start, min(start + BLOCK, size))
        if seq - start >= len(leaves):
            return []
        roots = self._full_blocks(reader, size // BLOCK)
        if size % BLOCK:
            roots = [*roots, root_of(reader.audit_leaves(size // BLOCK * BLOCK, size))]
        return inclusion_proof(seq - start, leaves) + inclusion_proof(block, roots)

    def _full_blocks(self, reader: InclusionReads, count: int) -> list[bytes]:
        roots = self._roots.setdefault(reader.node, [])
        for block in range(len(roots), count):
            roots.append(root_of(reader.audit_leaves(block * BLOCK, (block + 1) * BLOCK)))
        return roots[:count]
