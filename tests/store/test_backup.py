"""A backup taken under traffic is one consistent state, can be put back, and goes on."""

import os
import stat
import threading
import zipfile
from pathlib import Path

import pytest
from databases import of_sqlite
from store_makers import inbound

from verifier import clock
from verifier.errors import StoreError
from verifier.store import Store
from verifier.store.backup import About, back_up, restore

pytestmark = of_sqlite


def quiet(done: int, every: int) -> None:
    """No progress is shown."""


def fill(store: Store, first: int, count: int) -> None:
    for number in range(first, first + count):

        def work(tx, n=number):  # type: ignore[no-untyped-def]
            tx.add_message(inbound(f"M{n}", raw=os.urandom(4000)))
            tx.audit("verifier", "received a message", f"message:{n}", {"n": n})

        store.write(work)


def counts(store: Store) -> tuple[int, int]:
    def both(reader):  # type: ignore[no-untyped-def]
        (messages,) = reader._cursor.execute("SELECT count(*) FROM message").fetchone()
        return messages, reader.audit_head().size

    return store.read(both)


@pytest.fixture
def saved(store: Store, place: str, folder: Path, tmp_path: Path) -> tuple[About, Path]:
    fill(store, 0, 20)
    assert store.checkpoint()
    target = tmp_path / "backup.zip"
    return back_up(place, folder, target, clock.now(), quiet), target


def test_it_is_one_state_while_others_write(
    store: Store, place: str, folder: Path, tmp_path: Path
) -> None:
    fill(store, 0, 300)
    store.checkpoint()
    stop = threading.Event()

    def traffic() -> None:
        number = 300
        while not stop.is_set():
            fill(store, number, 1)
            number += 1

    steps: list[int] = []

    def seen(done: int, every: int) -> None:
        steps.append(done)
        fill(store, 100_000 + len(steps), 1)  # certainly something between two steps

    thread = threading.Thread(target=traffic)
    thread.start()
    try:
        about = back_up(place, folder, tmp_path / "backup.zip", clock.now(), seen)
    finally:
        stop.set()
        thread.join()
    assert steps
    elsewhere = f"sqlite:///{tmp_path}/other/verifier.db"
    restore(tmp_path / "backup.zip", elsewhere, tmp_path / "other" / "checkpoints", quiet)
    with Store.open(elsewhere, checkpoints=tmp_path / "other" / "checkpoints") as back:
        messages, entries = counts(back)
        assert messages == about.audit_entries == entries - 1, "the restore itself is on record"
        assert back.verify_audit().findings == ()


def test_restored_it_goes_on_and_signs_with_the_same_key(
    saved: tuple[About, Path], store: Store, place: str, folder: Path, database: Path
) -> None:
    public = (folder / "audit.public").read_text()
    store.close()
    for path in (database, folder / "audit.checkpoints", folder / "audit.public"):
        path.unlink()
    folder.with_name("checkpoints.key").unlink()
    about = restore(saved[1], place, folder, quiet)
    assert about == saved[0]
    with Store.open(place, checkpoints=folder) as back:
        fill(back, 20, 5)
        assert back.checkpoint() is not None
        assert back.verify_audit().findings == ()
        assert counts(back) == (25, 26)
    assert (folder / "audit.public").read_text() == public


def test_nobody_else_can_read_it(saved: tuple[About, Path]) -> None:
    assert stat.S_IMODE(saved[1].stat().st_mode) == 0o600


def test_nothing_is_overwritten(
    saved: tuple[About, Path], store: Store, place: str, folder: Path
) -> None:
    with pytest.raises(StoreError, match="exists already"):
        back_up(place, folder, saved[1], clock.now(), quiet)
    with pytest.raises(StoreError, match="move it away"):
        restore(saved[1], place, folder, quiet)


def test_what_is_lost_must_be_accepted_and_stays_on_record(
    saved: tuple[About, Path], store: Store, place: str, folder: Path, database: Path
) -> None:
    fill(store, 20, 7)
    store.checkpoint()
    store.close()
    database.unlink()
    with pytest.raises(StoreError, match="7 entries of the audit log were signed after"):
        restore(saved[1], place, folder, quiet)
    assert not database.exists()
    restore(saved[1], place, folder, quiet, accept_loss=True)
    with Store.open(place, checkpoints=folder) as back:
        assert back.read(lambda r: r.audit_newest(1))[0].detail["lost"] == 7  # type: ignore[index]
        assert back.checkpoint() is not None
        assert back.verify_audit().findings == ()
    aside = [path.name for path in folder.parent.iterdir() if ".before-" in path.name]
    assert len(aside) == 2, "what was signed before is kept"


@pytest.mark.parametrize("damage", ["cut", "bit", "text"])
def test_a_damaged_backup_is_refused(
    saved: tuple[About, Path], tmp_path: Path, damage: str
) -> None:
    whole = saved[1].read_bytes()
    with zipfile.ZipFile(saved[1]) as archive:
        info = archive.getinfo("verifier.db")
        middle = info.header_offset + info.compress_size // 2
    bad = tmp_path / "bad.zip"
    bad.write_bytes(
        {
            "cut": whole[: len(whole) // 2],
            "bit": whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :],
            "text": b"hello",
        }[damage]
    )
    target = tmp_path / "new"
    with pytest.raises(StoreError):
        restore(bad, f"sqlite:///{target}/verifier.db", target / "checkpoints", quiet)
    assert not (target / "verifier.db").exists()


def test_a_database_that_was_altered_is_not_backed_up_silently(
    store: Store, place: str, folder: Path, tmp_path: Path
) -> None:
    fill(store, 0, 5)
    store.checkpoint()
    store.write(lambda tx: tx._cursor.execute("UPDATE audit SET who = 'bob' WHERE seq = 2"))
    with pytest.raises(StoreError, match="does not verify"):
        back_up(place, folder, tmp_path / "backup.zip", clock.now(), quiet)
