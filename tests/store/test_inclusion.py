"""That an entry is in the signed log: proofs block by block lead to the root that was signed.

The root of reference is that of the whole tree (RFC 9162 section 2.1.1), signed by `checkpoint`.
"""

from pathlib import Path

import pytest
from databases import change_behind

from verifier.errors import StoreError
from verifier.store import Store, inclusion

ENTRIES, SIGNED = 23, 19


@pytest.fixture(params=[1, 4, 8, 32])
def filled(store: Store, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setattr(inclusion, "BLOCK", request.param)
    for number in range(ENTRIES):
        store.write(lambda tx, n=number: tx.audit("ann", "released", f"case:{n}", {"n": n}))
        if number + 1 in (6, SIGNED):
            assert store.checkpoint() is not None
    return store


def states(store: Store, *entries: int) -> list[str]:
    wanted = entries or range(ENTRIES)
    found = store.prove_entries(("main", seq) for seq in wanted)
    return [found["main", seq].state for seq in wanted]


def test_what_was_signed_is_shown_and_what_came_later_is_not_yet(filled: Store) -> None:
    expected = ["signed"] * SIGNED + ["not signed yet"] * (ENTRIES - SIGNED)
    assert states(filled) == expected
    assert states(filled) == expected, "what is kept between two proofs changes nothing"
    filled.checkpoint()
    assert states(filled) == ["signed"] * ENTRIES


@pytest.mark.parametrize("altered", [0, 7, 18, 21])
def test_an_altered_entry_is_not_as_signed(filled: Store, place: str, altered: int) -> None:
    change_behind(place, f"UPDATE audit SET who = 'bob' WHERE seq = {altered}")
    assert states(filled, altered) == ["not as signed"]


def test_an_entry_written_anew_with_its_hash_is_not_as_signed(filled: Store, place: str) -> None:
    """A body and its leaf that fit each other still do not lead to the signed root."""
    same = "(SELECT {0} FROM audit AS other WHERE other.seq = 5)"
    parts = ("at", "who", "what", "subject", "body", "salt", "detail", "leaf")
    change_behind(
        place,
        "UPDATE audit SET "
        + ", ".join(f"{part} = {same.format(part)}" for part in parts)
        + " WHERE seq = 9",
    )
    assert states(filled, 9) == ["not as signed"]


def test_a_missing_entry_is_not_as_signed(filled: Store, place: str) -> None:
    change_behind(place, "DELETE FROM audit WHERE seq = 12")
    assert states(filled, 12) == ["not as signed"]
    assert states(filled, ENTRIES + 5) == ["not as signed"]


def test_nothing_is_shown_where_nothing_was_signed(store: Store) -> None:
    store.write(lambda tx: tx.audit("ann", "released", "case:1"))
    assert store.prove_entries([("main", 0)])["main", 0].state == "not signed yet"


def test_a_checkpoint_of_another_key_shows_nothing(filled: Store, folder: Path) -> None:
    public = folder / "audit.public"
    public.write_text(public.read_text(encoding="utf-8")[:-9] + "AAAAAAA=\n", encoding="utf-8")
    with pytest.raises(StoreError, match="audit"):
        filled.prove_entries([("main", 0)])
