"""Proofs for others: one entry, or that the log only grew; any change to one is found.

The tree and its proofs are checked against published vectors in test_merkle.py; here the paths
inside the files are checked with the algorithms of RFC 9162 sections 2.1.3.2 and 2.1.4.2 as
written out there, on the files alone.
"""

import base64
import hashlib
import json
import random
from pathlib import Path

import pytest
from databases import database_url

from verifier.cli import main
from verifier.errors import StoreError
from verifier.store import Store, proofs
from verifier.store.notes import PublicKey

SIZES = (1, 6, 13, 20)


def sha(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()


def root_in(note: str) -> tuple[int, bytes]:
    """Size and root in the text of a checkpoint (C2SP tlog-checkpoint)."""
    _, size, root, *_ = note.split("\n")
    return int(size), base64.b64decode(root)


def climbed(index: int, leaf: bytes, path: list[bytes], size: int) -> tuple[bytes, int]:
    """RFC 9162 section 2.1.3.2, steps 2 to 5, word by word."""
    fn, sn, r = index, size - 1, leaf
    for p in path:
        assert sn != 0
        if fn & 1 == 1 or fn == sn:
            r = sha(b"\x01" + p + r)
            if fn & 1 == 0:
                while True:
                    fn, sn = fn >> 1, sn >> 1
                    if fn & 1 == 1 or fn == 0:
                        break
        else:
            r = sha(b"\x01" + r + p)
        fn, sn = fn >> 1, sn >> 1
    return r, sn


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "verifier.toml"
    path.write_text(
        f'database = "{database_url(tmp_path)}"\nnode = "main"\n[connections.line]\nport = 0\n'
    )
    with Store.open(database_url(tmp_path), checkpoints=tmp_path / "checkpoints") as store:
        for number in range(SIZES[-1] + 2):
            detail = {"patient": f"P{number}"}
            store.write(lambda tx, n=number, d=detail: tx.audit("ann", "released", f"case:{n}", d))
            if number + 1 in SIZES:
                assert store.checkpoint()
    return path


def prove(config: Path, name: str, *words: str) -> bytes:
    out = config.with_name(name)
    done = main(["audit", "prove", *words, "--out", str(out), "--config", str(config)])
    assert done == 0
    return out.read_bytes()


def check(config: Path, name: str) -> int:
    key = str(config.parent / "checkpoints" / "audit.public")
    return main(["audit", "check-proof", str(config.with_name(name)), "--key", key])


def test_every_entry_can_be_proved_to_somebody_else(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(SIZES[-1]):
        written = prove(config, f"{number}.json", str(number))
        proof = json.loads(written)
        size, root = root_in(proof["checkpoint"])
        leaf = sha(b"\x00" + proof["body"].encode())
        path = [bytes.fromhex(one) for one in proof["path"]]
        assert climbed(number, leaf, path, size) == (root, 0)
        assert json.loads(proof["body"])[5] == f"case:{number}"
        assert b"patient" not in written, "details are shown on request only"
        assert check(config, f"{number}.json") == 0
    said = capsys.readouterr().out
    assert "ann  released  case:7" in said
    assert "proved" in said
    prove(config, "shown.json", "3", "--with-details")
    assert check(config, "shown.json") == 0
    assert '{"patient":"P3"}' in capsys.readouterr().out


@pytest.mark.parametrize("old", SIZES)
@pytest.mark.parametrize("new", [*SIZES, None])
def test_growth_is_proved_between_any_two_checkpoints(
    config: Path, old: int, new: int | None
) -> None:
    if new is not None and old > new:
        assert main(["audit", "prove", "--from", str(old), "--to", str(new), "--out",
                     str(config.with_name("x")), "--config", str(config)]) == 2  # fmt: skip
        return
    to = () if new is None else ("--to", str(new))
    proof = json.loads(prove(config, "growth.json", "--from", str(old), *to))
    assert root_in(proof["older"])[0] == old
    assert root_in(proof["newer"])[0] == (new or SIZES[-1])
    assert check(config, "growth.json") == 0


@pytest.mark.parametrize(
    "words", [["0", "--with-details"], ["12"], ["--from", "6"], ["--from", "13", "--to", "20"]]
)
def test_no_byte_of_a_proof_can_be_changed_unseen(config: Path, words: list[str]) -> None:
    """But those of JSON's own layout: whatever still checks says the same to the letter."""
    whole = prove(config, "proof.json", *words)
    key = PublicKey.read((config.parent / "checkpoints" / "audit.public").read_text())
    said = proofs.check(proofs.read(whole), key)
    chance, found = random.Random(5), 0
    for _ in range(1000):
        place = chance.randrange(len(whole))
        changed = bytearray(whole)
        changed[place] ^= 1 << chance.randrange(8)
        try:
            proof = proofs.read(bytes(changed))
            again = proofs.check(proof, key)
        except StoreError:
            found += 1
            continue
        found += bool(again.findings)
        assert (
            again.findings
            or (proof, again) == (proofs.read(whole), said)
            or hex_only(proof, proofs.read(whole))
        )
    assert found > 900


def hex_only(one: object, other: object) -> bool:
    """Hexadecimal digits may be written large or small."""
    return proofs.write(one).lower() == proofs.write(other).lower()  # type: ignore[arg-type]


def test_what_is_not_signed_or_was_altered_is_not_proved(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ["--out", str(config.with_name("no.json")), "--config", str(config)]
    assert main(["audit", "prove", "20", *out]) == 2
    assert "lies under no checkpoint" in capsys.readouterr().err
    assert main(["audit", "prove", "--from", "7", *out]) == 2
    assert (
        "no checkpoint of 7 entries; the last ones are of 1, 6, 13, 20" in capsys.readouterr().err
    )
    assert main(["audit", "prove", *out]) == 2
    assert main(["audit", "prove", "3", "--from", "7", *out]) == 2
    with Store.open(
        database_url(config.parent), checkpoints=config.parent / "checkpoints"
    ) as store:
        store.write(lambda tx: tx._cursor.execute("DELETE FROM audit WHERE seq = 4"))
    capsys.readouterr()
    assert main(["audit", "prove", "3", *out]) == 2
    assert main(["audit", "prove", "--from", "6", *out]) == 2
    assert capsys.readouterr().err.count("does not give what was signed") == 2
    assert not config.with_name("no.json").exists()


def test_the_key_of_somebody_else_proves_nothing(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    prove(config, "proof.json", "3")
    with Store.open(database_url(tmp_path, "b.db"), checkpoints=tmp_path / "b" / "c") as other:
        other.write(lambda tx: tx.audit("ann", "x", "y"))
        other.checkpoint()
    capsys.readouterr()
    proof = str(config.with_name("proof.json"))
    key = str(tmp_path / "b" / "c" / "audit.public")
    assert main(["audit", "check-proof", proof, "--key", key]) == 1
    assert "another key" in capsys.readouterr().out
    assert main(["audit", "check-proof", proof]) == 0
    assert "compare it with one you have from elsewhere" in capsys.readouterr().err
