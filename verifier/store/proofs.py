"""Proofs for somebody who has neither the log nor the database: one small JSON file each.

An inclusion proof shows that an entry lies under a signed checkpoint, a consistency proof that a
later checkpoint extends an earlier one, entry by entry (RFC 9162 sections 2.1.3 and 2.1.4). Only
the public key has to be known from elsewhere.
"""

from collections.abc import Iterable, Sequence
from itertools import islice

import msgspec
from msgspec import Struct

from verifier.errors import StoreError
from verifier.store import codec
from verifier.store.audit import StoredEntry, detail_digest
from verifier.store.merkle import (
    Span,
    consistency_spans,
    hashes,
    inclusion_spans,
    leaf_hash,
    verify_consistency,
    verify_inclusion,
)
from verifier.store.notes import Checkpoint, PublicKey, read_note

ALTERED = "the audit log does not give what was signed. Run `verifier audit verify`."


class Inclusion(
    Struct, frozen=True, forbid_unknown_fields=True, tag_field="proof", tag="inclusion"
):
    """That `body` is entry number `entry` of the log under `checkpoint`.

    `salt` and `detail` open the details the entry was made with; both are empty or None where
    they are left out, since they may name a patient.
    """

    log: str
    entry: int
    body: str
    salt: str
    detail: str | None
    path: tuple[str, ...]
    checkpoint: str
    key: str


class Consistency(
    Struct, frozen=True, forbid_unknown_fields=True, tag_field="proof", tag="consistency"
):
    """That the log under `newer` begins with all that lay under `older`, unchanged."""

    log: str
    path: tuple[str, ...]
    older: str
    newer: str
    key: str


class Proved(Struct, frozen=True):
    """What a proof shows: in words, and what speaks against it (nothing is good)."""

    says: tuple[str, ...]
    findings: tuple[str, ...]


def prove_entry(
    number: int,
    entries: Iterable[StoredEntry],
    notes: Sequence[str],
    key: PublicKey | None,
    *,
    details: bool,
) -> Inclusion:
    """Return the proof of one entry under the newest checkpoint; `entries` are all of the log.

    Raises:
        StoreError: it is not signed yet, or the log does not give what was signed.
    """
    key, checkpoints = _readable(notes, key)
    newest = checkpoints[-1]
    if not 0 <= number < newest.size:
        raise StoreError(
            f"entry {number} lies under no checkpoint: {newest.size} entries are signed, counted "
            "from 0; the next checkpoint covers what came later"
        )
    kept: list[StoredEntry] = []

    def leaves() -> Iterable[bytes]:
        for entry in islice(entries, newest.size):
            if entry.seq == number:
                kept.append(entry)
            yield leaf_hash(entry.body)

    path = hashes(inclusion_spans(number, newest.size), leaves())
    if not kept:
        raise StoreError(ALTERED)
    entry = kept[0]
    shown = details and entry.detail is not None
    proof = Inclusion(
        newest.origin, number, entry.body.decode(errors="replace"),
        entry.salt.hex() if shown else "",
        (entry.detail or b"").decode(errors="replace") if shown else None,
        tuple(one.hex() for one in path), newest.note, key.text(),
    )  # fmt: skip
    if check(proof, key).findings:
        raise StoreError(ALTERED)
    return proof


def prove_growth(
    old: int,
    new: int | None,
    entries: Iterable[StoredEntry],
    notes: Sequence[str],
    key: PublicKey | None,
) -> Consistency:
    """Return the proof that the checkpoint of `new` entries (None: the newest) extends the one
    of `old`.

    Raises:
        StoreError: there is no such checkpoint, or the log does not give what was signed.
    """
    key, checkpoints = _readable(notes, key)
    known = {checkpoint.size: checkpoint for checkpoint in checkpoints}
    newest = checkpoints[-1].size if new is None else new
    if missing := {old, newest} - known.keys():
        sizes = ", ".join(map(str, sorted(known)[-10:]))
        raise StoreError(
            f"there is no checkpoint of {min(missing)} entries; the last ones are of {sizes}"
        )
    if not 1 <= old <= newest:
        raise StoreError("the older checkpoint must hold fewer entries than the newer, and one")
    spans: list[Span] = consistency_spans(old, newest)
    path = hashes(spans, (leaf_hash(entry.body) for entry in islice(entries, newest)))
    proof = Consistency(
        known[newest].origin, tuple(one.hex() for one in path), known[old].note,
        known[newest].note, key.text(),
    )  # fmt: skip
    if check(proof, key).findings:
        raise StoreError(ALTERED)
    return proof


def _readable(notes: Sequence[str], key: PublicKey | None) -> tuple[PublicKey, list[Checkpoint]]:
    """Return the key and the checkpoints it signed, smallest first."""
    if key is None or not notes:
        raise StoreError("nothing was signed yet: there is no checkpoint to prove anything with")
    try:
        checkpoints = [read_note(note, key) for note in notes]
    except ValueError as error:
        raise StoreError(f"{error}. Run `verifier audit verify`.") from error
    return key, sorted(checkpoints, key=lambda checkpoint: checkpoint.size)


def write(proof: Inclusion | Consistency) -> bytes:
    """Return a proof as the text of a file."""
    return msgspec.json.format(msgspec.json.encode(proof)) + b"\n"


def read(text: bytes) -> Inclusion | Consistency:
    """Read what `write` wrote. Raises StoreError when it is no proof."""
    try:
        return msgspec.json.decode(text, type=Inclusion | Consistency)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise StoreError(f"this is not a proof: {error}") from error


def check(proof: Inclusion | Consistency, key: PublicKey | None = None) -> Proved:
    """Check a proof, with a key known from elsewhere or else with the one inside it.

    What the files say is believed in nothing but by arithmetic. Raises StoreError when a hash or
    the key in it can not be read.
    """
    try:
        inside = PublicKey.read(proof.key)
        path = [bytes.fromhex(one) for one in proof.path]
    except ValueError as error:
        raise StoreError(f"this is not a proof: {error}") from error
    known = key or inside
    other = [] if known == inside else ["it names another key than the one it is checked with"]
    try:
        if isinstance(proof, Inclusion):
            return _check_inclusion(proof, path, known, other)
        return _check_consistency(proof, path, known, other)
    except ValueError as error:
        return Proved((), (*other, str(error)))


def _check_inclusion(
    proof: Inclusion, path: list[bytes], key: PublicKey, findings: list[str]
) -> Proved:
    under = read_note(proof.checkpoint, key)
    body = proof.body.encode()
    findings += _other_log(proof.log, under)
    if not verify_inclusion(leaf_hash(body), proof.entry, under.size, path, under.root):
        findings.append(f"the text is not that of entry {proof.entry} under this checkpoint")
    try:
        seq, at, writer, who, what, subject, digest = codec.read_body(body)
    except msgspec.MsgspecError:
        return Proved((), (*findings, "the text of the entry can not be read"))
    if seq != proof.entry:
        findings.append(f"the text calls itself entry {seq}, not {proof.entry}")
    says = [
        f"entry {seq} of the log {under.origin} (node {writer}), under a checkpoint of "
        f"{under.size} entries",
        f"{_time(at)}  {who}  {what}  {subject}",
    ]
    if proof.detail is None:
        says.append("its details are left out")
    elif (salt := _salt(proof.salt)) is None:
        findings.append("the salt of the details can not be read")
    elif detail_digest(salt, proof.detail.encode()).hex() != digest:
        findings.append("the details are not those the entry was made with")
    else:
        says.append(proof.detail)
    return Proved(tuple(says), tuple(findings))


def _check_consistency(
    proof: Consistency, path: list[bytes], key: PublicKey, findings: list[str]
) -> Proved:
    older, newer = read_note(proof.older, key), read_note(proof.newer, key)
    findings += _other_log(proof.log, older, newer)
    if not verify_consistency(older.size, newer.size, older.root, newer.root, path):
        findings.append(
            f"the {newer.size} entries do not begin with the {older.size} signed before"
        )
    says = f"the {newer.size} entries of the log {newer.origin} begin with the {older.size} "
    return Proved((says + "signed before, unchanged",), tuple(findings))


def _other_log(log: str, *checkpoints: Checkpoint) -> list[str]:
    return [
        f"a checkpoint is of the log {one.origin}, not of {log}"
        for one in checkpoints
        if one.origin != log
    ]


def _salt(text: str) -> bytes | None:
    try:
        return bytes.fromhex(text)
    except ValueError:
        return None


def _time(at: int) -> str:
    try:
        return f"{codec.instant(at):%Y-%m-%d %H:%M:%S} UTC"
    except OverflowError:
        return "at no time"
