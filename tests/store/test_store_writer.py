"""Transactions: all or nothing, one piece of work at a time, durable before anybody hears."""

import logging
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from databases import of_sqlite
from store_makers import MORNING, add_case, decision, inbound, record, row, verdict

from verifier.errors import RefusedError, StoreError
from verifier.store import Store, Transaction, new_id
from verifier.store.ids import Ids


def test_what_is_written_is_read(store: Store) -> None:
    message = inbound(note="look", ack=None)
    store.write(lambda tx: tx.add_message(message))
    assert store.read(lambda r: r.message(message.id)) == message
    assert store.read(lambda r: r.raw(message.id)) == message.raw
    with pytest.raises(KeyError):
        store.read(lambda r: r.raw(1))


def test_failing_work_is_undone_alone(store: Store) -> None:
    """Submitted together, so that they share a transaction; the one in the middle fails."""
    release = threading.Event()
    store.submit(lambda tx: release.wait(5))

    def fails(tx: Transaction) -> None:
        tx.add_message(inbound("bad"))
        tx.audit("verifier", "never happened", "case:0")
        tx.suspend("all", "", "no", "nobody")
        raise RefusedError("no")

    def works(control_id: str) -> object:
        def work(tx: Transaction) -> int:
            tx.add_message(inbound(control_id))
            return tx.audit("verifier", "received", control_id)

        return store.submit(work)

    first, broken, last = works("one"), store.submit(fails), works("two")
    release.set()
    assert (first.result(), last.result()) == (0, 1)
    with pytest.raises(RefusedError):
        broken.result()
    assert store.read(lambda r: r.receipts("APP", "FAC", "bad")) == []
    assert store.read(lambda r: len(r.receipts("APP", "FAC", "two"))) == 1
    assert store.read(lambda r: [e.what for e in r.audit_newest()]) == ["received", "received"]
    assert store.read(lambda r: r.suspensions()) == ()
    assert store.verify_audit().findings[0].startswith("there is no checkpoint")


def test_a_driver_error_is_ours_and_undone(store: Store) -> None:
    message = inbound()

    def twice(tx: Transaction) -> None:
        tx.add_message(message)
        tx.add_message(message)

    with pytest.raises(StoreError, match=r"(?i)unique"):
        store.write(twice)
    assert store.read(lambda r: r.message(message.id)) is None


def test_a_result_without_its_case_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match=r"(?i)foreign key"):
        store.write(lambda tx: tx.add_decision(new_id(), None, decision(verdict())))


def test_nobody_hears_of_a_commit_that_fails(store: Store, database: Path) -> None:
    """A trigger stands for a disk that refuses: it aborts the write of the head at the end."""
    store.write(lambda tx: tx.audit("verifier", "started", "service"))
    with sqlite3.connect(database) as other:
        other.execute(
            "CREATE TRIGGER full BEFORE UPDATE ON audit_head "
            "BEGIN SELECT RAISE(ROLLBACK, 'no space'); END"
        )
    other.close()
    message = inbound()

    def work(tx: Transaction) -> None:
        tx.add_message(message)
        tx.audit("verifier", "received", f"message:{message.id}")

    with pytest.raises(StoreError, match="no space"):
        store.write(work)
    assert store.read(lambda r: r.message(message.id)) is None
    store.write(lambda tx: tx.add_message(message))
    assert store.read(lambda r: r.message(message.id)) == message


def test_the_writer_outlives_whatever_work_raises(store: Store) -> None:
    message = inbound()

    def leaves(tx: Transaction) -> None:
        tx.add_message(message)
        sys.exit(3)

    with pytest.raises(SystemExit):
        store.write(leaves)
    assert store.read(lambda r: r.message(message.id)) is None
    store.write(lambda tx: tx.add_message(message))


def test_a_cancelled_work_does_not_run(store: Store) -> None:
    gate = threading.Event()
    store.submit(lambda tx: gate.wait(5))
    late = store.submit(lambda tx: tx.add_message(inbound("late")))
    assert late.cancel()
    gate.set()
    store.write(lambda tx: None)
    assert store.read(lambda r: r.receipts("APP", "FAC", "late")) == []


def test_the_bell_rings_after_the_commit_with_its_topics(store: Store) -> None:
    heard: list[frozenset[str]] = []
    rung = threading.Event()

    def bell(topics: frozenset[str]) -> None:
        heard.append(topics)
        assert store.read(lambda r: len(r.suspensions())) == 1
        rung.set()

    store.on_commit(bell)
    store.write(lambda tx: tx.audit("verifier", "looked", "case:1"))
    store.write(lambda tx: tx.suspend("test", "potassium", "electrode", "ann"))
    assert rung.wait(5)
    assert heard == [frozenset({"suspension"})]


def test_a_failing_bell_harms_nobody(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    def bell(topics: frozenset[str]) -> None:
        raise RuntimeError("bell broke")

    store.on_commit(bell)
    store.write(lambda tx: tx.suspend("all", "", "why", "ann"))
    store.write(lambda tx: tx.suspend("all", "", "why", "ann"))
    assert "bell broke" in caplog.text


def test_a_reader_sees_one_state_and_can_not_write(store: Store) -> None:
    def work(reader: object) -> tuple[int, int]:
        before = len(reader.problems())
        store.write(lambda tx: tx.add_message(inbound(error="meanwhile")))
        return before, len(reader.problems())

    assert store.read(work) == (0, 0)
    assert store.read(lambda r: len(r.problems())) == 1
    with pytest.raises(StoreError, match=r"read-?only"):
        store.read(lambda r: r._cursor.execute("DELETE FROM message"))


def test_a_closed_store_finishes_and_then_refuses(place: str, folder: Path) -> None:
    store = Store.open(place, checkpoints=folder)
    queued = [store.submit(lambda tx: tx.add_message(inbound())) for _ in range(200)]
    store.close()
    assert all(future.done() and future.exception() is None for future in queued)
    with pytest.raises(StoreError, match="closed"):
        store.write(lambda tx: None)


def test_a_second_process_may_write_too(store: Store, place: str, folder: Path) -> None:
    store.write(lambda tx: tx.audit("verifier", "first", "x:1"))
    with Store.open(place, checkpoints=folder) as other:
        other.write(lambda tx: tx.audit("command line", "second", "x:1"))
        other.write(lambda tx: tx.suspend("all", "", "why", "ann"))
    store.write(lambda tx: tx.audit("verifier", "third", "x:1"))
    assert store.write(lambda tx: len(tx.suspensions())) == 1
    said = [entry.what for entry in store.read(lambda r: r.audit_of("x:1"))]
    assert said == ["first", "second", "third"]
    store.checkpoint()
    assert store.verify_audit().findings == ()


@of_sqlite
def test_only_the_first_writer_checkpoints(place: str, folder: Path, store: Store) -> None:
    def pages(tx: Transaction) -> int:
        return tx._cursor.execute("PRAGMA wal_autocheckpoint").fetchone()[0]

    with Store.open(place, checkpoints=folder) as second:
        assert store.write(pages) > 0
        assert second.write(pages) == 0
    store.close()
    with Store.open(place, checkpoints=folder) as third:
        assert third.write(pages) > 0


@of_sqlite
def test_every_commit_is_synced_and_the_version_logged(
    place: str, folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with Store.open(place, checkpoints=folder) as store:
        asked = ("synchronous", "journal_mode", "foreign_keys")
        found = store.write(
            lambda tx: [tx._cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in asked]
        )
    assert found == [2, "wal", 1]  # sqlite.org/pragma.html: 2 is FULL
    assert f"SQLite {sqlite3.sqlite_version}" in caplog.text


def test_ids_grow_whatever_the_clock_does(monkeypatch: pytest.MonkeyPatch) -> None:
    ids = Ids(node=5)
    made = [ids.new() for _ in range(10_000)]
    monkeypatch.setattr("time.time_ns", lambda: 1_000_000_000)
    made.append(ids.new())
    ids.stay_above(made[-1] + (50 << 22))
    made.append(ids.new())
    assert made == sorted(set(made))
    assert all(number < 1 << 63 and number >> 12 & 1023 == 5 for number in made)
    assert made[-1] > made[-2] + (50 << 22)


def test_a_new_process_makes_larger_ids_than_are_stored(place: str, folder: Path) -> None:
    future = inbound()
    ahead = new_id() + (3_600_000 << 22)  # the clock was an hour ahead then
    with Store.open(place, checkpoints=folder) as store:
        moved = type(future)(ahead, *(getattr(future, f) for f in future.__struct_fields__[1:]))
        store.write(lambda tx: tx.add_message(moved))
    with Store.open(place, checkpoints=folder):
        assert new_id() > ahead


KILLED = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from store_makers import add_case, decision, inbound, record, row, verdict
from verifier.store import Store
store = Store.open(sys.argv[1], checkpoints=Path(sys.argv[2]))
def work(tx, n):
    message = inbound(f"M{n}")
    tx.add_message(message)
    add_case(tx, record(specimen=f"S{n}"), decision(verdict()), row())
    tx.audit("verifier", "received", f"message:{n}")
n = 0
while True:
    futures = [store.submit(lambda tx, n=n + i: work(tx, n)) for i in range(7)]
    for i, future in enumerate(futures):
        future.result()
        print(n + i, flush=True)
    n += 7
"""


@pytest.mark.parametrize("lines", [1, 2, 5, 9, 16, 40, 77, 150])
def test_what_was_reported_done_survives_a_kill(place: str, folder: Path, lines: int) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, place, str(folder), str(Path(__file__).parent)],
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        assert process.stdout is not None
        for _ in range(lines):
            process.stdout.readline()
        process.kill()
        rest = process.stdout.read()
    done = lines + rest.count("\n")
    with Store.open(place, checkpoints=folder) as store:
        for number in range(done):
            key = f"S{number}"
            assert store.read(lambda r, n=number: len(r.receipts("APP", "FAC", f"M{n}"))) == 1
            assert store.read(lambda r, k=key: r.case_by_specimen(k)) is not None
            assert store.read(lambda r, n=number: len(r.audit_of(f"message:{n}"))) == 1
        store.checkpoint()
        assert store.verify_audit().findings == ()


def test_many_threads_write_and_read_at_once(store: Store) -> None:
    problems: list[BaseException] = []

    def busy(name: int) -> None:
        try:
            for number in range(25):
                key = f"{name}-{number}"
                made = decision(verdict())
                stored = record(specimen=key)
                case_id = store.write(lambda tx, s=stored, m=made: add_case(tx, s, m, row()))
                found = store.read(lambda r, k=key: r.case_by_specimen(k))
                assert found is not None
                assert found.id == case_id
        except BaseException as error:
            problems.append(error)

    threads = [threading.Thread(target=busy, args=(name,)) for name in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert store.read(lambda r: r.statistics(since=MORNING)).held_specimens == 200


@of_sqlite
def test_nobody_else_may_read_the_database(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/private.db"
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        store.write(lambda tx: tx.audit("verifier", "looked", "nothing:0"))
        modes = {file.name: file.stat().st_mode & 0o077 for file in tmp_path.glob("private.db*")}
    assert "private.db" in modes
    assert set(modes.values()) == {0}


@of_sqlite
def test_after_closing_everything_is_in_one_file(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/whole.db"
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        store.write(lambda tx: tx.audit("verifier", "looked", "nothing:0"))
        store.read(lambda reader: reader.audit_head())
    assert not list(tmp_path.glob("whole.db-*"))
