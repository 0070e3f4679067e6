"""A backup of a PostgreSQL database, taken under traffic, restored into either kind; and of an
SQLite file into PostgreSQL. What is restored goes on: it takes messages and signs its log."""

import os
import threading
import tracemalloc
from pathlib import Path
from typing import Any

import pytest
from databases import create_database, database_url, of_postgres
from sqlalchemy.engine.url import make_url
from store_makers import add_case, decision, entry, inbound, outgoing, record, row, verdict

from verifier import clock
from verifier.errors import StoreError
from verifier.store import Store
from verifier.store.backup import back_up, restore
from verifier.store.schema import metadata

pytestmark = of_postgres


def quiet(done: int, every: int) -> None:
    """No progress is shown."""


def fill(store: Store, first: int, count: int, size: int = 4000) -> None:
    for number in range(first, first + count):

        def work(tx: Any, n: int = number) -> None:
            stored = record(entry(state="released"), specimen=f"S{n}", patient=f"LAB^MR^{n}")
            case = add_case(tx, stored, decision(verdict(0, "release")), row())
            tx.add_message(inbound(f"M{n}", raw=os.urandom(size)))
            tx.add_outbox(outgoing(case_id=case))
            tx.audit("änn", "received a message", f"message:{n}", {"n": n, "patient": f"P{n}"})

        store.write(work)


def everything(store: Store) -> dict[str, list[Any]]:
    """All rows of all tables, in one order."""

    def rows(reader: Any) -> dict[str, list[Any]]:
        found = {}
        for table in metadata.sorted_tables:
            names = ", ".join(f'"{column.name}"' for column in table.columns)
            got = reader._cursor.execute(f"SELECT {names} FROM {table.name}").fetchall()
            found[table.name] = sorted((tuple(one) for one in got), key=repr)
        return found

    return store.read(rows)


def empty(tmp_path: Path, kind: str) -> str:
    if kind == "file":
        return f"sqlite:///{tmp_path}/restored/verifier.db"
    return create_database(f"e{os.getpid()}_{abs(hash(tmp_path))}")


def goes_on(url: str, folder: Path, node: str) -> None:
    """A message is taken, the log is signed and verifies."""
    with Store.open(url, checkpoints=folder, node=node) as store:
        before = len(store.read(lambda r: r.audit_newest(5000)))
        fill(store, 900_000, 3)
        assert store.read(lambda r: r.receipts("APP", "FAC", "M900001"))
        assert store.checkpoint()
        reports = store.verify_logs()
        assert all(report.findings == () for report in reports.values()), reports
        assert sum(report.entries for report in reports.values()) == before + 3
        assert store.read(lambda r: r.case_by_specimen("S900001"))


@pytest.mark.parametrize("kind", ["file", "server"])
def test_two_nodes_backed_up_under_traffic(tmp_path: Path, folder: Path, kind: str) -> None:
    url = database_url(tmp_path)
    stop, steps = threading.Event(), []
    with (
        Store.open(url, checkpoints=folder, node="a") as one,
        Store.open(url, checkpoints=folder, node="b") as two,
    ):
        for store in (one, two):
            fill(store, 0 if store is one else 1000, 150)
            assert store.checkpoint()

        def traffic() -> None:
            number = 2000
            while not stop.is_set():
                fill(two, number, 1)
                number += 1

        def seen(done: int, every: int) -> None:
            steps.append((done, every))
            if len(steps) == 1:
                fill(one, 500, 20)  # certainly in the middle of the copy
                one.checkpoint()

        thread = threading.Thread(target=traffic)
        thread.start()
        try:
            about = back_up(url, folder, tmp_path / "backup.zip", clock.now(), seen)
        finally:
            stop.set()
            thread.join()
        assert steps[-1][0] == steps[-1][1] > 600
        assert about.logs["a"] == 150, "what came while it was copied is not in it"
        assert about.logs["b"] >= 150
    target = empty(tmp_path, kind)
    elsewhere = tmp_path / "restored" / "checkpoints"
    assert restore(tmp_path / "backup.zip", target, elsewhere, quiet, node="c") == about
    log = "main" if kind == "file" else "c"
    with Store.open(target, checkpoints=elsewhere, writable=False) as back:
        counts = {name: len(rows) for name, rows in everything(back).items()}
        assert counts["message"] == counts["specimen_case"] == counts["outgoing"]
        assert counts["message"] == about.audit_entries
        reports = back.verify_logs()
        assert set(reports) == {"a", "b", log}
        assert reports["a"].findings == reports["b"].findings == ()
    goes_on(target, elsewhere, log)
    public = [path.name for path in elsewhere.iterdir() if path.suffix == ".public"]
    assert len(public) == 3, "a new log has a key of its own"
    with Store.open(target, checkpoints=elsewhere, node="a") as back:
        back.write(lambda tx: tx.audit("ann", "x", "y"))
        if kind == "server":
            assert back.checkpoint(), "a goes on with its own key"


def test_a_file_moves_to_the_server_and_back_unchanged(tmp_path: Path) -> None:
    url, folder = f"sqlite:///{tmp_path}/one/verifier.db", tmp_path / "one" / "checkpoints"
    with Store.open(url, checkpoints=folder) as store:
        fill(store, 0, 40)
        store.write(lambda tx: tx.add_message(inbound("X", raw=b"", error="\t\\N\n\\.")))
        assert store.checkpoint()
        first = everything(store)
    back_up(url, folder, tmp_path / "one.zip", clock.now(), quiet)
    server, second = empty(tmp_path, "server"), tmp_path / "two" / "checkpoints"
    restore(tmp_path / "one.zip", server, second, quiet)
    with Store.open(server, checkpoints=second) as store:
        assert store.checkpoint()
        assert store.verify_audit().findings == ()
    back_up(server, second, tmp_path / "two.zip", clock.now(), quiet)
    third, there = f"sqlite:///{tmp_path}/three/verifier.db", tmp_path / "three" / "checkpoints"
    restore(tmp_path / "two.zip", third, there, quiet)
    with Store.open(third, checkpoints=there, writable=False) as store:
        last = everything(store)
        newest = store.read(lambda r: r.audit_newest(2))
    for name, rows in first.items():
        expected = set(map(repr, rows)) - set(map(repr, last[name]))
        assert not expected or name == "audit_head", name
    assert [one.what for one in newest] == ["was restored from a backup"] * 2
    goes_on(third, there, "main")


def test_a_database_in_use_is_not_restored_into(tmp_path: Path, folder: Path) -> None:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=folder) as store:
        fill(store, 0, 2)
        back_up(url, folder, tmp_path / "b.zip", clock.now(), quiet)
        before = everything(store)
        with pytest.raises(StoreError, match="is not empty") as refusal:
            restore(tmp_path / "b.zip", url, tmp_path / "x" / "checkpoints", quiet)
        assert str(make_url(url).port) in str(refusal.value)
        assert everything(store) == before
    assert not (tmp_path / "x").exists()


def test_a_load_that_fails_leaves_the_database_empty(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=folder) as store:
        fill(store, 0, 60)
    back_up(url, folder, tmp_path / "b.zip", clock.now(), quiet)
    target, elsewhere = empty(tmp_path, "server"), tmp_path / "x" / "checkpoints"

    def broken(done: int, every: int) -> None:
        raise OSError("power cut")

    with pytest.raises(StoreError, match="power cut"):
        restore(tmp_path / "b.zip", target, elsewhere, broken)
    assert not elsewhere.exists()
    restore(tmp_path / "b.zip", target, elsewhere, quiet)
    goes_on(target, elsewhere, "main")


def test_the_copy_is_not_held_in_memory(tmp_path: Path, folder: Path) -> None:
    """Forty megabytes of messages move through far less memory than that."""
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=folder) as store:
        fill(store, 0, 400, size=100_000)
    target = empty(tmp_path, "server")
    peaks = []
    for step in (
        lambda: back_up(url, folder, tmp_path / "b.zip", clock.now(), quiet),
        lambda: restore(tmp_path / "b.zip", target, tmp_path / "x" / "checkpoints", quiet),
    ):
        tracemalloc.start()
        step()
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert (tmp_path / "b.zip").stat().st_size > 39_000_000
    assert max(peaks) < 25_000_000, peaks
