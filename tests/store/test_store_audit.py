"""The audit log: whatever is changed behind its back is found, in the database and in an export.

Checkpoint text and key identifier are checked against the examples of C2SP tlog-checkpoint and
C2SP signed-note.
"""

import base64
import io
import os
import random
import shutil
import sqlite3
import stat
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from databases import database_url
from hypothesis import given
from hypothesis import strategies as st

from verifier.errors import StoreError
from verifier.store import Store
from verifier.store.audit import StoredEntry, detail_digest, entry_body
from verifier.store.export import read_export, verify_export
from verifier.store.merkle import Frontier, inclusion_proof, leaf_hash, verify_inclusion
from verifier.store.notes import PublicKey, read_note, sign, split_notes
from verifier.store.verify import Claim, Report, verify

ENTRIES = 23


def filled(store: Store, signed_at: tuple[int, ...] = (10, 17, ENTRIES)) -> None:
    for number in range(ENTRIES):
        detail = {"patient": f"P{number}", "n": number}
        store.write(lambda tx, n=number, d=detail: tx.audit("ann", "released", f"case:{n % 5}", d))
        if number + 1 in signed_at:
            assert store.checkpoint() is not None


def test_entries_are_found_by_subject(store: Store) -> None:
    filled(store)
    found = store.read(lambda r: r.audit_for_case(3))
    assert [entry.seq for entry in found] == [3, 8, 13, 18]
    assert found[0].detail == {"patient": "P3", "n": 3}
    assert (found[0].who, found[0].what, found[0].subject) == ("ann", "released", "case:3")
    assert [entry.seq for entry in store.read(lambda r: r.audit_newest(2))] == [22, 21]


def test_an_untouched_log_verifies(store: Store, place: str, folder: Path) -> None:
    filled(store)
    report = store.verify_audit()
    assert (report.findings, report.entries, report.signed) == ((), ENTRIES, ENTRIES)
    head = store.read(lambda r: r.audit_head())
    assert (head.size, head.root) == (ENTRIES, report.root)
    assert store.checkpoint() is None, "nothing to sign"
    store.close()
    with Store.open(place, checkpoints=folder, writable=False) as reader:
        assert reader.verify_audit() == report
        with pytest.raises(StoreError, match="reading only"):
            reader.write(lambda tx: None)


def test_one_entry_is_proved_to_somebody_else(store: Store) -> None:
    filled(store)
    entries = store.read(lambda r: list(r.audit_stored()))
    leaves = [entry.leaf for entry in entries]
    root = store.read(lambda r: r.audit_head()).root
    proof = inclusion_proof(7, leaves)
    assert verify_inclusion(leaf_hash(entries[7].body), 7, ENTRIES, proof, root)
    assert not verify_inclusion(leaf_hash(entries[7].body + b" "), 7, ENTRIES, proof, root)


CHANGES = {
    "text edited": "UPDATE audit SET body = CAST(replace(body, 'released', 'rejected') AS BLOB)"
    " WHERE seq = :n",
    "text and hash edited": "UPDATE audit SET body = CAST(replace(body, 'ann', 'bob') AS BLOB),"
    " leaf = :leaf WHERE seq = :n",
    "shown name edited": "UPDATE audit SET who = 'bob' WHERE seq = :n",
    "shown subject edited": "UPDATE audit SET subject = 'case:99' WHERE seq = :n",
    "shown time edited": "UPDATE audit SET at = at + 1 WHERE seq = :n",
    "details edited": "UPDATE audit SET detail = CAST(replace(detail, 'P', 'Q') AS BLOB)"
    " WHERE seq = :n",
    "details edited as text": "UPDATE audit SET detail = replace(detail, 'P', 'Q') WHERE seq = :n",
    "body edited as text": "UPDATE audit SET body = replace(body, 'ann', 'bob') WHERE seq = :n",
    "removed": "DELETE FROM audit WHERE seq = :n",
    "removed and renumbered": "DELETE FROM audit WHERE seq = :n;"
    "UPDATE audit SET seq = seq - 1 WHERE seq > :n",
    "truncated": "DELETE FROM audit WHERE seq >= :n",
    "truncated with head": "DELETE FROM audit WHERE seq >= :n;"
    "UPDATE audit_head SET size = :n, frontier = :frontier",
    "swapped": "UPDATE audit SET seq = -1 WHERE seq = :n;"
    "UPDATE audit SET seq = :n WHERE seq = :m; UPDATE audit SET seq = :m WHERE seq = -1",
    "doubled": "INSERT INTO audit SELECT writer, 23, at, who, what, subject, body, salt, detail,"
    " leaf FROM audit WHERE seq = :n",
    "head forgotten": "DELETE FROM audit_head",
    "all forgotten": "DELETE FROM audit; DELETE FROM audit_head",
    "head damaged": "UPDATE audit_head SET frontier = x'00'",
}


def tamper(database: Path, statements: str, number: int, other: int) -> None:
    connection = sqlite3.connect(database)
    bodies = [body for (body,) in connection.execute("SELECT body FROM audit ORDER BY seq")]
    values = {
        "n": number,
        "m": other,
        "leaf": leaf_hash(bodies[number].replace(b"ann", b"bob")),
        "frontier": Frontier().extend(map(leaf_hash, bodies[:number])).pack(),
    }
    for statement in statements.split(";"):
        connection.execute(statement, values)
    connection.commit()
    connection.close()


@pytest.mark.parametrize("change", CHANGES)
def test_every_change_to_the_database_is_found(
    store: Store, place: str, folder: Path, database: Path, change: str
) -> None:
    filled(store)
    store.close()
    for seed in range(5):
        copy = database.with_name(f"copy{seed}.db")
        shutil.copy(database, copy)
        number, other = random.Random(f"{change}{seed}").sample(range(ENTRIES), 2)
        tamper(copy, CHANGES[change], number, other)
        with Store.open(f"sqlite:///{copy}", checkpoints=folder, writable=False) as changed:
            assert changed.verify_audit().findings, f"{change} at {number}"


def test_the_entry_that_was_altered_is_named(store: Store, database: Path) -> None:
    filled(store)
    tamper(database, CHANGES["text edited"], 12, 0)
    findings = store.verify_audit().findings
    assert "entry 12: its text does not belong to its hash" in findings
    assert any("the first 17 entries" in finding for finding in findings)
    assert not any("the first 10 entries" in finding for finding in findings)


def test_a_rewrite_of_everything_is_found_by_the_checkpoints(store: Store, database: Path) -> None:
    """Hashes, head and all: the database alone is consistent, the signed roots differ."""
    filled(store)
    connection = sqlite3.connect(database)
    tree = Frontier()
    for seq, body in connection.execute("SELECT seq, body FROM audit ORDER BY seq").fetchall():
        body = body.replace(b'"ann"', b'"bob"')
        values = (body, leaf_hash(body), seq)
        connection.execute("UPDATE audit SET body = ?, leaf = ?, who = 'bob' WHERE seq = ?", values)
        tree = tree.append(leaf_hash(body))
    connection.execute("UPDATE audit_head SET frontier = ?", (tree.pack(),))
    connection.commit()
    connection.close()
    findings = store.verify_audit().findings
    assert len(findings) == 4
    assert all("not those that were signed" in finding for finding in findings[:3])
    assert "the log remembers that 23 entries were signed" in findings[3]


def test_details_may_be_removed_after_their_time(store: Store, database: Path) -> None:
    filled(store)
    tamper(database, "UPDATE audit SET detail = NULL WHERE seq < :n", 9, 0)
    report = store.verify_audit()
    assert (report.findings, report.without_detail) == ((), 9)
    assert store.read(lambda r: r.audit_for_case(3))[0].detail is None


def exported(store: Store, *, details: bool = True) -> bytes:
    file = io.BytesIO()
    assert store.export_audit(file, details=details) == ENTRIES
    return file.getvalue()


def verified(export: bytes, notes: list[str] | None = None, key: str = "") -> Report:
    return verify_export(io.BytesIO(export), notes, PublicKey.read(key) if key else None)


def test_an_export_verifies_without_the_database(store: Store) -> None:
    filled(store)
    whole, bare = exported(store), exported(store, details=False)
    assert verified(whole) == store.verify_audit()
    assert b'"P3"' not in bare
    assert b"P3" in whole
    assert (verified(bare).findings, verified(bare).without_detail) == ((), ENTRIES)


def test_an_export_signed_by_somebody_else_is_found(store: Store) -> None:
    filled(store)
    export = read_export(io.BytesIO(exported(store)))
    claim = export.claim
    forged = Ed25519PrivateKey.generate()
    note = sign(claim.origin, claim.size, claim.root, forged)
    own = PublicKey.read(export.header.key)
    (finding,) = verify(export.entries, claim, [note], own).findings
    assert "not signed by this key" in finding


def test_checkpoints_lie_outside_and_the_key_is_private(
    store: Store, folder: Path, database: Path
) -> None:
    filled(store)
    assert database.parent not in folder.parents
    key_file = folder.with_name("checkpoints.key")
    assert stat.S_IMODE(os.stat(key_file).st_mode) == 0o600
    assert key_file.read_bytes() not in b"".join(p.read_bytes() for p in folder.iterdir())
    notes = split_notes((folder / "audit.checkpoints").read_text())
    key = PublicKey.read((folder / "audit.public").read_text())
    assert [read_note(note, key).size for note in notes] == [10, 17, ENTRIES]


@pytest.mark.parametrize("change", ["text and hash edited", "truncated with head", "all forgotten"])
def test_a_changed_log_is_not_signed(store: Store, database: Path, change: str) -> None:
    filled(store, signed_at=(10,))
    tamper(database, CHANGES[change], 15 if change == "text and hash edited" else 4, 0)
    with pytest.raises(StoreError):
        store.checkpoint()
    assert len(store._notary.notes()) == 1


def test_a_database_put_back_from_an_old_copy_is_not_signed(
    store: Store, folder: Path, database: Path, place: str
) -> None:
    filled(store, signed_at=(10,))
    store.close()
    old = database.with_name("old.db")
    shutil.copy(database, old)
    with Store.open(place, checkpoints=folder) as again:
        again.write(lambda tx: tx.audit("ann", "released", "case:1"))
        again.checkpoint()
    with Store.open(f"sqlite:///{old}", checkpoints=folder) as restored:
        with pytest.raises(StoreError, match="does not extend"):
            restored.checkpoint()
        assert any("cut off" in finding for finding in restored.verify_audit().findings)


def test_stopping_between_signing_and_remembering_does_no_harm(
    store: Store, database: Path
) -> None:
    filled(store, signed_at=(10, 17))
    with sqlite3.connect(database) as connection:
        bodies = [body for (body,) in connection.execute("SELECT body FROM audit ORDER BY seq")]
        earlier = Frontier().extend(map(leaf_hash, bodies[:10]))
        values = (earlier.size, earlier.pack())
        connection.execute("UPDATE audit_head SET signed_size = ?, signed_frontier = ?", values)
    connection.close()
    assert store.checkpoint() is not None
    assert store.verify_audit().findings == ()


def test_a_lost_key_is_not_replaced_silently(store: Store, folder: Path) -> None:
    filled(store, signed_at=(10,))
    folder.with_name("checkpoints.key").unlink()
    with pytest.raises(StoreError, match="missing"):
        store.checkpoint()


def test_a_key_of_another_log_is_refused(store: Store, folder: Path, tmp_path: Path) -> None:
    filled(store, signed_at=(10,))
    elsewhere = tmp_path / "other" / "checkpoints"
    with Store.open(database_url(tmp_path, "other.db"), checkpoints=elsewhere) as other:
        other.write(lambda tx: tx.audit("ann", "x", "y"))
        other.checkpoint()
    shutil.copy(elsewhere.with_name("checkpoints.key"), folder.with_name("checkpoints.key"))
    with pytest.raises(StoreError, match="does not belong"):
        store.checkpoint()


def test_the_key_line_is_that_of_the_specification() -> None:
    """C2SP signed-note, the example of a verifier key: its identifier is 530d903a."""
    raw = bytes.fromhex("e932791ae6e7a840a46164c904786426d5e7821dd8b29a00d61cae72afdd4da4")
    key = PublicKey("example.com/foo", raw)
    assert key.identifier.hex() == "530d903a"
    assert key.text().startswith("example.com/foo+530d903a+A")
    assert PublicKey.read(key.text() + "\n") == key
    with pytest.raises(ValueError, match="not a public key"):
        PublicKey.read(key.text().replace("530d903a", "530d903b"))


def test_the_checkpoint_text_is_that_of_the_specification() -> None:
    """C2SP tlog-checkpoint: the body of the example there, signed here with a new key."""
    root = base64.b64decode("CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=")
    signer = Ed25519PrivateKey.generate()
    note = sign("example.com/behind-the-sofa", 20852163, root, signer)
    assert note.startswith(
        "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n"
        "— example.com/behind-the-sofa "
    )
    key = PublicKey("example.com/behind-the-sofa", signer.public_key().public_bytes_raw())
    read = read_note(note, key)
    assert (read.size, read.root) == (20852163, root)
    for spoiled in (note.replace("163", "164"), note.replace("CsU", "CsV"), note[:-9] + "\n", ""):
        with pytest.raises(ValueError, match="checkpoint"):
            read_note(spoiled, key)


@given(st.lists(st.tuples(st.text(), st.text(), st.text(), st.binary()), max_size=12))
def test_any_text_can_be_logged_exported_and_verified(
    said: list[tuple[str, str, str, bytes]],
) -> None:
    entries, tree = [], Frontier()
    for seq, (who, what, subject, salt) in enumerate(said):
        body = entry_body(seq, seq, "main", who, what, subject, detail_digest(salt, b"{}"))
        tree = tree.append(leaf_hash(body))
        entries.append(
            StoredEntry(seq, seq, who, what, subject, body, salt, b"{}", leaf_hash(body))
        )
    signer = Ed25519PrivateKey.generate()
    key = PublicKey("log", signer.public_key().public_bytes_raw())
    note = sign("log", tree.size, tree.root(), signer)
    assert verify(entries, Claim("log", tree.size, tree.root()), [note], key).findings == ()
