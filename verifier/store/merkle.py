"""The Merkle tree of RFC 9162 section 2.1: roots, proofs, and a frontier that only grows.

Pure arithmetic on hashes. Leaves are hashed with the prefix 0x00 and nodes with 0x01, so that no
node can be passed off as a leaf. The shape of a tree follows from its size alone.
"""

import hashlib
from collections.abc import Iterable, Sequence

from msgspec import Struct

Span = tuple[int, int]  # leaves from, up to and not including
EMPTY = hashlib.sha256(b"").digest()


def leaf_hash(data: bytes) -> bytes:
    """Return the hash of one entry (RFC 9162 section 2.1.1)."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return the hash of an inner node."""
    return hashlib.sha256(b"\x01" + left + right).digest()


class Frontier(Struct, frozen=True):
    """The roots of the full subtrees of a tree, largest first: one per set bit of `size`.

    Enough to append and to compute the root without reading any entry again.
    """

    size: int = 0
    roots: tuple[bytes, ...] = ()

    def append(self, leaf: bytes) -> "Frontier":
        """Return the frontier after one more leaf hash."""
        roots, size = list(self.roots), self.size
        while size & 1:
            leaf = node_hash(roots.pop(), leaf)
            size >>= 1
        return Frontier(self.size + 1, (*roots, leaf))

    def extend(self, leaves: Iterable[bytes]) -> "Frontier":
        """Return the frontier after all of `leaves`."""
        grown = self
        for leaf in leaves:
            grown = grown.append(leaf)
        return grown

    def root(self) -> bytes:
        """Return the root hash of the whole tree."""
        if not self.roots:
            return EMPTY
        *others, root = self.roots
        for left in reversed(others):
            root = node_hash(left, root)
        return root

    def pack(self) -> bytes:
        """Return the subtree roots one after the other; `unpack` with the size reads them."""
        return b"".join(self.roots)

    @classmethod
    def unpack(cls, size: int, packed: bytes) -> "Frontier":
        """Read what `pack` wrote. Raises ValueError when it does not fit the size."""
        if size < 0 or len(packed) != 32 * size.bit_count():
            raise ValueError(f"{len(packed)} bytes are no frontier of {size} entries")
        return cls(size, tuple(packed[at : at + 32] for at in range(0, len(packed), 32)))


def root_of(leaves: Sequence[bytes]) -> bytes:
    """Return the root hash over leaf hashes."""
    return Frontier().extend(leaves).root()


def _split(size: int) -> int:
    """Return the largest power of two smaller than `size`."""
    return 1 << ((size - 1).bit_length() - 1)


def inclusion_spans(index: int, size: int) -> list[Span]:
    """Return which leaves each hash of an audit path covers, nearest sibling first.

    Raises:
        IndexError: there is no such leaf.
    """
    if not 0 <= index < size:
        raise IndexError(f"no entry {index} in a tree of {size}")
    spans: list[Span] = []
    start, stop = 0, size
    while stop - start > 1:
        middle = start + _split(stop - start)
        if index < middle:
            spans.append((middle, stop))
            stop = middle
        else:
            spans.append((start, middle))
            start = middle
    return spans[::-1]


def consistency_spans(old: int, size: int) -> list[Span]:
    """Return which leaves each hash of a consistency proof covers, in the order of the proof.

    Raises:
        IndexError: `old` is not between 1 and `size`.
    """
    if not 1 <= old <= size:
        raise IndexError(f"no tree of {old} inside one of {size}")
    spans: list[Span] = []
    start, stop = 0, size
    while old != stop:
        middle = start + _split(stop - start)
        if old <= middle:
            spans.append((middle, stop))
            stop = middle
        else:
            spans.append((start, middle))
            start = middle
    if start:
        spans.append((start, stop))
    return spans[::-1]


def hashes(spans: Sequence[Span], leaves: Iterable[bytes]) -> list[bytes]:
    """Return the hash of each span, reading the leaves once, in order; spans do not overlap."""
    order = sorted(spans)
    trees = dict.fromkeys(order, Frontier())
    left = iter(order)
    span = next(left, None)
    for place, leaf in enumerate(leaves):
        while span is not None and place >= span[1]:
            span = next(left, None)
        if span is None:
            break
        if place >= span[0]:
            trees[span] = trees[span].append(leaf)
    return [trees[span].root() for span in spans]


def inclusion_proof(index: int, leaves: Sequence[bytes]) -> list[bytes]:
    """Return the audit path of a leaf (RFC 9162 section 2.1.3.1). Raises IndexError."""
    return hashes(inclusion_spans(index, len(leaves)), leaves)


def consistency_proof(old: int, leaves: Sequence[bytes]) -> list[bytes]:
    """Return the proof that the tree extends its first `old` leaves (section 2.1.4.1).

    Raises IndexError.
    """
    return hashes(consistency_spans(old, len(leaves)), leaves)


def verify_inclusion(
    leaf: bytes, index: int, size: int, proof: Sequence[bytes], root: bytes
) -> bool:
    """Return whether `proof` shows `leaf` at `index` under `root` (section 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    position, last, reached = index, size - 1, leaf
    for sibling in proof:
        if last == 0:
            return False
        if position & 1 or position == last:
            reached = node_hash(sibling, reached)
            while not position & 1 and position:
                position, last = position >> 1, last >> 1
        else:
            reached = node_hash(reached, sibling)
        position, last = position >> 1, last >> 1
    return last == 0 and reached == root


def verify_consistency(
    old: int, new: int, old_root: bytes, new_root: bytes, proof: Sequence[bytes]
) -> bool:
    """Return whether `proof` shows that the tree of `new` extends that of `old` (2.1.4.2)."""
    if old == new:
        return not proof and old_root == new_root
    if not 1 <= old < new or not proof:
        return False
    path = list(proof) if old & (old - 1) else [old_root, *proof]
    position, last = old - 1, new - 1
    while position & 1:
        position, last = position >> 1, last >> 1
    old_reached = new_reached = path[0]
    for sibling in path[1:]:
        if last == 0:
            return False
        if position & 1 or position == last:
            old_reached = node_hash(sibling, old_reached)
            new_reached = node_hash(sibling, new_reached)
            while not position & 1 and position:
                position, last = position >> 1, last >> 1
        else:
            new_reached = node_hash(new_reached, sibling)
        position, last = position >> 1, last >> 1
    return last == 0 and old_reached == old_root and new_reached == new_root
