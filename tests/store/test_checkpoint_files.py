"""Checkpoints and their key on a disk that fills up, and after a stop in the middle of writing."""

import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from verifier.errors import StoreError
from verifier.store import Store


@contextmanager
def files_end_at(size: int) -> Iterator[None]:
    """Let no file of this process grow beyond so many bytes: what a full disk does to it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def enter(store: Store) -> None:
    store.write(lambda tx: tx.audit("ann", "released", "case:1"))


@pytest.mark.parametrize("room", [0, 30])
def test_a_checkpoint_that_does_not_fit_leaves_the_others_as_they_were(
    store: Store, folder: Path, room: int
) -> None:
    enter(store)
    store.checkpoint()
    notes = folder / "audit.checkpoints"
    before = notes.read_bytes()
    enter(store)
    with files_end_at(len(before) + room), pytest.raises(StoreError, match="no checkpoint"):
        store.checkpoint()
    assert notes.read_bytes() == before
    assert store.checkpoint() is not None
    assert store.verify_audit().findings == ()


def test_what_was_being_written_when_the_machine_stopped_is_no_checkpoint(
    store: Store, folder: Path
) -> None:
    enter(store)
    store.checkpoint()
    notes = folder / "audit.checkpoints"
    whole = notes.read_bytes()
    notes.write_bytes(whole + whole[: len(whole) // 2])
    enter(store)
    assert store.checkpoint() is not None
    assert notes.read_bytes().startswith(whole)
    assert len(store._notary.notes()) == 2
    assert store.verify_audit().findings == ()


def test_a_checkpoint_that_was_cut_afterwards_is_missed(store: Store, folder: Path) -> None:
    """Only one that no log remembers is passed over in silence."""
    enter(store)
    store.checkpoint()
    enter(store)
    store.checkpoint()
    notes = folder / "audit.checkpoints"
    notes.write_bytes(notes.read_bytes()[:-20])
    enter(store)
    with pytest.raises(StoreError, match="does not extend"):
        store.checkpoint()


def test_a_key_that_lost_its_public_half_is_used_for_a_first_checkpoint_only(
    store: Store, folder: Path
) -> None:
    """Stopped between writing the two: nothing was signed. Later it is a loss to be told."""
    enter(store)
    store.checkpoint()
    for name in ("audit.checkpoints", "audit.public"):
        (folder / name).unlink()
    enter(store)
    with pytest.raises(StoreError, match="does not belong"):
        store.checkpoint()
