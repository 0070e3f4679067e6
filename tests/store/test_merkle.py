"""The tree against published values, and its proofs against every change of one hash.

Leaves, roots and proofs are the reference vectors of the Certificate Transparency project
(RFC 6962, whose tree RFC 9162 section 2.1 keeps); the worked tree of seven leaves in RFC 9162
section 2.1.5 gives the shapes of proofs.
"""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.store.merkle import (
    EMPTY,
    Frontier,
    consistency_proof,
    inclusion_proof,
    leaf_hash,
    node_hash,
    root_of,
    verify_consistency,
    verify_inclusion,
)

DATA = [
    "", "00", "10", "2021", "3031", "40414243", "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
]  # fmt: skip
LEAVES = [leaf_hash(bytes.fromhex(text)) for text in DATA]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
INCLUSION = [  # leaf counted from 0, size, proof
    (0, 1, []),
    (0, 8, [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ]),
    (5, 8, [
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ]),
    (2, 3, ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]),
]  # fmt: skip
CONSISTENCY = [
    (1, 8, [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ]),
    (6, 8, [
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ]),
    (2, 5, [
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ]),
]  # fmt: skip
MANY = [leaf_hash(number.to_bytes(4)) for number in range(70)]


def unhex(texts: list[str]) -> list[bytes]:
    return [bytes.fromhex(text) for text in texts]


def spoiled(text: bytes) -> bytes:
    return bytes([text[0] ^ 1]) + text[1:]


@pytest.mark.parametrize("size", range(9))
def test_roots_are_the_published_ones(size: int) -> None:
    assert root_of(LEAVES[:size]).hex() == ROOTS[size]


@pytest.mark.parametrize(("index", "size", "proof"), INCLUSION)
def test_inclusion_proofs_are_the_published_ones(index: int, size: int, proof: list[str]) -> None:
    assert inclusion_proof(index, LEAVES[:size]) == unhex(proof)
    root = bytes.fromhex(ROOTS[size])
    assert verify_inclusion(LEAVES[index], index, size, unhex(proof), root)


@pytest.mark.parametrize(("old", "new", "proof"), CONSISTENCY)
def test_consistency_proofs_are_the_published_ones(old: int, new: int, proof: list[str]) -> None:
    assert consistency_proof(old, LEAVES[:new]) == unhex(proof)
    roots = bytes.fromhex(ROOTS[old]), bytes.fromhex(ROOTS[new])
    assert verify_consistency(old, new, *roots, unhex(proof))


def test_the_worked_example_of_the_standard() -> None:
    """RFC 9162 section 2.1.5: leaves d0…d6, inner nodes a…l named as there."""
    a, b, c, d, e, f, j = LEAVES[:7]
    g, h, i = node_hash(a, b), node_hash(c, d), node_hash(e, f)
    k = node_hash(g, h)
    node_l = node_hash(i, j)
    assert root_of(LEAVES[:7]) == node_hash(k, node_l)
    assert inclusion_proof(0, LEAVES[:7]) == [b, h, node_l]
    assert inclusion_proof(3, LEAVES[:7]) == [c, g, node_l]
    assert inclusion_proof(4, LEAVES[:7]) == [f, j, k]
    assert inclusion_proof(6, LEAVES[:7]) == [i, k]
    assert consistency_proof(3, LEAVES[:7]) == [c, d, g, node_l]
    assert consistency_proof(4, LEAVES[:7]) == [node_l]
    assert consistency_proof(6, LEAVES[:7]) == [i, j, k]


def test_leaf_and_node_are_told_apart() -> None:
    assert leaf_hash(b"ab") == hashlib.sha256(b"\x00ab").digest()
    assert node_hash(b"a", b"b") == hashlib.sha256(b"\x01ab").digest()
    assert Frontier().root() == EMPTY


@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 9, 31, 33, 64, 70])
def test_every_leaf_is_proved_and_no_other(size: int) -> None:
    leaves = MANY[:size]
    root = root_of(leaves)
    for index, leaf in enumerate(leaves):
        proof = inclusion_proof(index, leaves)
        assert verify_inclusion(leaf, index, size, proof, root)
        assert not verify_inclusion(spoiled(leaf), index, size, proof, root)
        assert not verify_inclusion(leaf, index, size, [*proof, EMPTY], root)
        assert not proof or not verify_inclusion(leaf, index, size, proof[:-1], root)
        for at in range(len(proof)):
            wrong = [*proof[:at], spoiled(proof[at]), *proof[at + 1 :]]
            assert not verify_inclusion(leaf, index, size, wrong, root)


@given(st.integers(1, 70), st.data())
def test_a_tree_extends_its_own_beginnings_only(size: int, data: st.DataObject) -> None:
    old = data.draw(st.integers(1, size))
    leaves = MANY[:size]
    roots = root_of(leaves[:old]), root_of(leaves)
    proof = consistency_proof(old, leaves)
    assert len(proof) <= (size - 1).bit_length() + 1
    assert verify_consistency(old, size, *roots, proof)
    changed = data.draw(st.integers(0, old - 1))
    rewritten = [*leaves[:changed], spoiled(leaves[changed]), *leaves[changed + 1 :]]
    proof = consistency_proof(old, rewritten)
    assert not verify_consistency(old, size, roots[0], root_of(rewritten), proof)


@given(st.lists(st.integers(0, 9)))
def test_growing_bit_by_bit_gives_the_same_root(steps: list[int]) -> None:
    tree, done = Frontier(), 0
    for step in steps:
        tree = tree.extend(MANY[(done + n) % 70] for n in range(step))
        done += step
        tree = Frontier.unpack(tree.size, tree.pack())
    assert tree.size == done
    assert tree.root() == root_of([MANY[n % 70] for n in range(done)])


@pytest.mark.parametrize(("size", "packed"), [(1, b""), (0, b"x"), (3, b"x" * 32), (-1, b"")])
def test_a_frontier_that_does_not_fit_is_refused(size: int, packed: bytes) -> None:
    with pytest.raises(ValueError, match="no frontier"):
        Frontier.unpack(size, packed)


def test_a_proof_of_something_that_is_not_there_is_refused() -> None:
    with pytest.raises(IndexError):
        inclusion_proof(3, MANY[:3])
    with pytest.raises(IndexError):
        consistency_proof(0, MANY[:3])
