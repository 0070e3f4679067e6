"""The disk fills up, the database is locked, moved, stopped: nothing is acknowledged that is not
kept, and when it is back everything goes on by itself."""

import resource
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from databases import Server, of_postgres, of_sqlite
from service.laboratory import Sender, eventually

from faults.house import House, balance, house_and_lis, traffic
from faults.model import Books

DATABASE = "verifier.db"


@contextmanager
def files_end_at(house: House, size: int) -> Iterator[None]:
    """Let no file of the service grow beyond so many bytes: what a full disk does to it."""
    soft, hard = resource.prlimit(house.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(house.pid, resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.prlimit(house.pid, resource.RLIMIT_FSIZE, (soft, hard))


@contextmanager
def moved(house: House, *suffixes: str) -> Iterator[None]:
    """Take files of the database away, and bring them back."""
    away = house.folder / "away"
    away.mkdir()
    files = [house.folder / f"{DATABASE}{suffix}" for suffix in suffixes]
    for file in files:
        file.rename(away / file.name)
    try:
        yield
    finally:
        for file in files:
            (away / file.name).replace(file)


@contextmanager
def locked(house: House) -> Iterator[None]:
    """Let another process hold the lock for writing."""
    with closing(sqlite3.connect(house.folder / DATABASE, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def refused(house: House, books: Books, name: str, wait: float = 20) -> None:
    """Send a message of which nothing can be kept: it gets no answer, the connection is closed."""
    sent = books.write(name, f"SP-{name}", "sodium", "140")
    with Sender(house.chem) as sender:
        sender._socket.settimeout(wait)
        with pytest.raises(ConnectionError):
            sender.send(sent.raw)


FAULTS = {
    "disk full": lambda house: files_end_at(house, 4096),
    "database moved": lambda house: moved(house, "", "-wal", "-shm"),
    "write-ahead file moved": lambda house: moved(house, "-wal"),
}


@of_sqlite
@pytest.mark.parametrize("fault", FAULTS)
def test_what_can_not_be_kept_is_not_acknowledged(
    tmp_path: Path, campaign: int, fault: str
) -> None:
    books = Books()
    with house_and_lis(tmp_path) as (house, lis):
        house.start()
        with traffic(house, books):
            for round_number in range(1 + campaign // 10):
                before = books.acknowledged
                eventually(lambda b=before: books.acknowledged > b + 3, 60)
                with FAULTS[fault](house):
                    refused(house, books, f"{round_number}-none")
                    refused(house, books, f"{round_number}-still-none")
                before = books.acknowledged
                eventually(lambda b=before: books.acknowledged > b + 3, 60)
        balance(house, books, lis)


@of_sqlite
def test_a_lock_held_by_another_is_waited_for(tmp_path: Path, campaign: int) -> None:
    """A command that writes beside the service; held longer than ten seconds it is a refusal."""
    books = Books()
    with house_and_lis(tmp_path) as (house, lis):
        house.start()
        with traffic(house, books):
            eventually(lambda: books.acknowledged > 3, 60)
            with locked(house):
                sent = books.write("waits", "SP-waits", "sodium", "140")
                with Sender(house.chem) as sender:
                    sender.write(b"\x0b" + sent.raw + b"\x1c\r")
                    assert sender.nothing_comes(1.5)
                    if campaign:
                        refused(house, books, "too long", 40)
            before = books.acknowledged
            eventually(lambda: books.acknowledged > before + 3, 60)
        balance(house, books, lis)


@of_postgres
def test_a_server_that_stops_and_starts(
    tmp_path: Path, campaign: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = Server.start()
    monkeypatch.setattr("databases.server_url", lambda: server.url)
    monkeypatch.setattr("databases.template", lambda: "template0")
    folder = tmp_path / "own"
    folder.mkdir()
    books = Books()
    with house_and_lis(folder) as (house, lis):
        house.start()
        with traffic(house, books):
            for round_number in range(2 + campaign // 10):
                before = books.acknowledged
                eventually(lambda b=before: books.acknowledged > b + 3, 60)
                server.stop()
                refused(house, books, f"{round_number}-none")
                server.run()
                before = books.acknowledged
                eventually(lambda b=before: books.acknowledged > b + 3, 60)
        balance(house, books, lis)
    server.remove()
