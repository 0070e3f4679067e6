"""Measures intake with many earlier results in the database against intake with few.

The history is made of a few specimens the service took, copied row by row with SQL: every patient
was there ten times, a day apart, whatever the number of results.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from verifier.bench import servers
from verifier.bench.intake import load
from verifier.bench.measure import CONNECTIONS, Measured
from verifier.bench.messages import RESULTS, message, messages

PEOPLE, VISITS = 200, 10
_DAY = 86_400_000_000  # microseconds
_SHIFTED = {
    "message": {
        "id": "id - :ids", "received": "received - :back", "control_id": "control_id || :x"
    },
    "specimen_case": {
        "id": "id - :ids", "specimen": "specimen || :x", "patient": "patient || :who",
        "opened": "opened - :back", "updated": "updated - :back",
    },
    "result": {
        "case_id": "case_id - :ids", "specimen": "specimen || :x", "patient": "patient || :who",
        "collected": "collected - :back", "settled": "settled - :back",
        "measured": "measured - :back",
    },
    "decision": {
        "id": "id - :ids", "case_id": "case_id - :ids", "message_id": "message_id - :ids",
        "decided": "decided - :back",
    },
}  # fmt: skip


def measure_growth(rules: Path, results: int, count: int) -> tuple[Measured, int]:
    """Take `count` messages with about `results` earlier results in the database, and with few.

    Return the row and how many earlier results there really were.
    """
    few, _ = _intake(rules, 1, count)
    crowds = max(1, results // (PEOPLE * VISITS * RESULTS))
    many, earlier = _intake(rules, crowds, count)
    unit = f"{RESULTS}-result messages/s"
    return Measured("growth", unit, many, "few earlier results", few), earlier


def _intake(rules: Path, crowds: int, count: int) -> tuple[float, int]:
    now = datetime.now(UTC)
    with TemporaryDirectory() as name:
        folder = Path(name)
        with servers.ours(folder, rules) as server:
            load(server.port, list(messages(PEOPLE, now=now)), connections=CONNECTIONS)
        with closing(sqlite3.connect(folder / "bench.db")) as database:
            earlier = multiply(database, crowds)
        with servers.ours(folder, rules) as server:
            return load(
                server.port, _coming(count, crowds, now), connections=CONNECTIONS
            ).rate, earlier


def _coming(count: int, crowds: int, now: datetime) -> Sequence[bytes]:
    """Return messages of people who were there before."""
    return [
        message(PEOPLE + n, now=now, patient=f"P{n % PEOPLE + 1}.{n % crowds}")
        for n in range(1, count + 1)
    ]


def multiply(database: sqlite3.Connection, crowds: int) -> int:
    """Copy what the database holds into the past, for `crowds` times as many people; count it."""
    lowest, highest = database.execute("SELECT min(id), max(id) FROM decision").fetchone()
    first, _ = database.execute("SELECT min(id), max(id) FROM message").fetchone()
    apart = highest - min(lowest, first) + 1
    statements = list(_copies(database))
    marks = {name: _newest(database, name) for name in _SHIFTED}
    database.execute("PRAGMA synchronous=OFF")
    for number in range(1, crowds * VISITS + 1):
        crowd, visit = number % crowds, (number - 1) // crowds + 1
        values = {
            "ids": apart * number,
            "back": visit * _DAY,
            "x": f"-{number}",
            "who": f".{crowd}",
        }
        for name, statement in statements:
            database.execute(statement, {**values, "from": marks[name]})
    database.commit()
    return int(database.execute("SELECT count(*) FROM result").fetchone()[0])


def _copies(database: sqlite3.Connection) -> Iterator[tuple[str, str]]:
    for name, shifted in _SHIFTED.items():
        columns = [row[1] for row in database.execute(f"PRAGMA table_info({name})")]
        given = ", ".join(shifted.get(column, column) for column in columns)
        key = "case_id" if name == "result" else "id"
        yield name, f"INSERT INTO {name} SELECT {given} FROM {name} WHERE {key} >= :from"  # noqa: S608


def _newest(database: sqlite3.Connection, name: str) -> int:
    """Return the smallest key of what the service itself took."""
    key = "case_id" if name == "result" else "id"
    return int(database.execute(f"SELECT min({key}) FROM {name}").fetchone()[0])  # noqa: S608
