"""Checks an audit log against itself and against what was signed, from a database or an export.

Anything that was edited, removed, reordered or cut off is a finding, a sentence. What this can
not see: a rewrite of the entries after the last checkpoint by somebody who also rewrites the
head, and a rewrite of everything by somebody who also holds the key and every copy of the
checkpoints. Checkpoints kept elsewhere are what the whole rests on.
"""

from collections.abc import Iterable, Mapping, Sequence

import msgspec
from msgspec import Struct

from verifier.store import codec
from verifier.store.audit import Claim, StoredEntry, detail_digest
from verifier.store.base import MAIN
from verifier.store.merkle import Frontier, leaf_hash
from verifier.store.notes import Checkpoint, PublicKey, read_note

_MOST = 20


class Report(Struct, frozen=True):
    """What was found. `signed` of the `entries` lie under a checkpoint; no finding is good.

    `said` is what is no finding and yet to be known.
    """

    entries: int
    root: bytes
    checkpoints: int
    signed: int
    without_detail: int
    findings: tuple[str, ...]
    said: tuple[str, ...] = ()


def verify(
    entries: Iterable[StoredEntry],
    claim: Claim,
    notes: Sequence[str],
    key: PublicKey | None,
    writer: str = MAIN,
) -> Report:
    """Check every entry, every checkpoint and the head of the log of `writer`.

    Reads the entries once, in order. An export names no writer: "" takes any.
    """
    findings, checkpoints = _read_notes(notes, key, claim.origin)
    pending = sorted(checkpoints, key=lambda checkpoint: checkpoint.size)
    tree, without, remembered = Frontier(), 0, False
    for entry in entries:
        remembered = remembered or _remembered(claim, tree)
        pending = _compare(pending, tree, findings)
        findings += faults(entry, tree.size, writer)
        without += entry.detail is None
        tree = tree.append(leaf_hash(entry.body))
    left = _compare(pending, tree, findings)
    findings += [
        f"the log has {tree.size} entries, but {checkpoint.size} were signed: it was cut off"
        for checkpoint in left[-1:]
    ]
    if not remembered and not _remembered(claim, tree):
        findings.append(
            f"the log remembers that {claim.signed_size} entries were signed under a root they "
            "do not have"
        )
    if (tree.size, tree.root()) != (claim.size, claim.root):
        findings.append(
            f"the log's own head speaks of {claim.size} entries, the {tree.size} entries found "
            "do not give the same root"
        )
    signed = max((checkpoint.size for checkpoint in checkpoints), default=0)
    return Report(tree.size, tree.root(), len(checkpoints), signed, without, _shortened(findings))


def together(reports: Mapping[str, Report]) -> Report:
    """Return what was found of several logs as one report; findings name the log if needed."""
    if len(reports) == 1:
        return next(iter(reports.values()))
    each = reports.values()
    findings = [f"log {log}: {said}" for log, one in reports.items() for said in one.findings]
    return Report(
        sum(one.entries for one in each), b"", sum(one.checkpoints for one in each),
        sum(one.signed for one in each), sum(one.without_detail for one in each), tuple(findings),
    )  # fmt: skip


def _read_notes(
    notes: Sequence[str], key: PublicKey | None, origin: str
) -> tuple[list[str], list[Checkpoint]]:
    if not notes:
        return ["there is no checkpoint: nothing shows that the log was not rewritten"], []
    if key is None:
        return ["there is no public key: the checkpoints can not be checked"], []
    findings: list[str] = []
    checkpoints: list[Checkpoint] = []
    for note in notes:
        try:
            checkpoint = read_note(note, key)
        except ValueError as error:
            findings.append(str(error))
            continue
        if checkpoint.origin != origin:
            findings.append(f"a checkpoint is of the log {checkpoint.origin}, not of {origin}")
        if checkpoints and checkpoint.size < checkpoints[-1].size:
            findings.append("the checkpoints are not in the order in which they were signed")
        checkpoints.append(checkpoint)
    return findings, checkpoints


def _remembered(claim: Claim, tree: Frontier) -> bool:
    """Return whether the log was as it is here when, as it says, it was last signed."""
    return tree.size == claim.signed_size and tree.root() == claim.signed_root


def _compare(pending: list[Checkpoint], tree: Frontier, findings: list[str]) -> list[Checkpoint]:
    """Compare the checkpoints of this size with the tree; return those still to come."""
    while pending and pending[0].size == tree.size:
        checkpoint, *pending = pending
        if checkpoint.root != tree.root():
            findings.append(
                f"the first {checkpoint.size} entries are not those that were signed: "
                "one of them was altered"
            )
    return pending


def faults(entry: StoredEntry, expected: int, log: str) -> list[str]:
    """Return what is wrong with one entry that should be number `expected` of a log."""
    found = []
    if entry.seq != expected:
        found.append(f"where entry {expected} should be stands entry {entry.seq}")
    if leaf_hash(entry.body) != entry.leaf:
        found.append(f"entry {entry.seq}: its text does not belong to its hash")
    try:
        seq, at, writer, who, what, subject, digest = codec.read_body(entry.body)
    except msgspec.MsgspecError:
        return [*found, f"entry {entry.seq}: its text can not be read"]
    shown = (entry.seq, entry.at, log or writer, entry.who, entry.what, entry.subject)
    if (seq, at, writer, who, what, subject) != shown:
        found.append(f"entry {entry.seq}: what is shown of it is not what was hashed")
    if entry.detail is not None and detail_digest(entry.salt, entry.detail).hex() != digest:
        found.append(f"entry {entry.seq}: its details are not what was hashed")
    return found


def _shortened(findings: list[str]) -> tuple[str, ...]:
    if len(findings) <= _MOST:
        return tuple(findings)
    return (*findings[:_MOST], f"and {len(findings) - _MOST} more")
