"""The measurements: each gives rates of ours and of the named baseline, taken in the same run."""

import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter

from verifier.bench import baseline, servers
from verifier.bench.intake import Load, load
from verifier.bench.messages import RESULTS, messages
from verifier.decide.decide import decide
from verifier.facts.build import build_case
from verifier.facts.case import Case, Control
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.extract import read_specimens
from verifier.facts.merge import merge
from verifier.hl7.message import Message
from verifier.language.program import Program

CONNECTIONS = 16
CONNECTION = ConnectionMap(name="bench", specimens={"SER": "serum"})


@dataclass(frozen=True, slots=True)
class Measured:
    """One line of the report: rates per second of ours and of the baseline named beside it."""

    what: str
    unit: str
    ours: float
    against: str
    baseline: float

    @property
    def ratio(self) -> float:
        """How many times the baseline's rate ours is."""
        return self.ours / self.baseline


def rate(work: Callable[[bytes], object], raws: Iterable[bytes]) -> float:
    """Return how many of `raws` `work` does per second."""
    began = perf_counter()
    count = 0
    for raw in raws:
        work(raw)
        count += 1
    return count / (perf_counter() - began)


def measure_parse(raws: Sequence[bytes]) -> Measured:
    """Read messages into specimens and observations; the baseline reads fewer fields."""
    ours = rate(lambda raw: read_specimens(Message.read(raw), CONNECTION), raws)
    theirs = rate(baseline.parse, raws[: max(1, len(raws) // 20)])
    return Measured("parse", f"{RESULTS}-result messages/s", ours, "hl7apy", theirs)


def cases(raws: Iterable[bytes], program: Program, now: datetime) -> list[Case]:
    """Return the cases the messages make on an empty history, every control in control."""
    maps = {CONNECTION.name: CONNECTION}
    quality: dict[str, Control] = dict.fromkeys(program.catalogue.tests, "in control")
    found = []
    for raw in raws:
        for report in read_specimens(Message.read(raw), CONNECTION):
            record = merge(None, report, connection=CONNECTION.name, message=1, arrived=now)
            found.append(
                build_case(
                    record,
                    catalogue=program.catalogue,
                    maps=maps,
                    earlier={},
                    quality=quality,
                    suspensions=(),
                    now=now,
                )
            )
    return found


def by_hand(case: Case) -> list[str]:
    """Judge a case with six pairs of limits in plain Python, no reasons, no unknown."""
    decisions = []
    for result in case.results:
        low, high = baseline.LIMITS.get(result.code, (0.0, 1e9))
        decisions.append("release" if low <= float(result.sent_text) <= high else "hold")
    return decisions


def measure_decision(raws: Sequence[bytes], program: Program) -> Measured:
    """Judge cases with the whole rule set; the baseline compares each value with two limits."""
    found = cases(raws, program, datetime.now(UTC))
    began = perf_counter()
    for case in found:
        decide(case, program)
    ours = perf_counter() - began
    began = perf_counter()
    for case in found:
        by_hand(case)
    theirs = perf_counter() - began
    results = sum(len(case.results) for case in found)
    return Measured(
        "decide", "results/s", results / ours, "build on hl7apy: limits only", results / theirs
    )


def bare_inserts(folder: Path, raws: Sequence[bytes]) -> float:
    """Insert the rows a message makes, one transaction per group of connections; per second."""
    database = baseline.open_database(folder / "bare.db")
    groups = [raws[start : start + CONNECTIONS] for start in range(0, len(raws), CONNECTIONS)]
    began = perf_counter()
    for group in groups:
        insert_group(database, group)
    seconds = perf_counter() - began
    database.close()
    return len(raws) / seconds


def insert_group(database: sqlite3.Connection, group: Sequence[bytes]) -> None:
    """Insert and commit the rows of some messages."""
    row = ("control", "patient", "specimen", "code", "value", "unit", "release")
    for raw in group:
        database.execute("INSERT INTO inbox VALUES (?, ?)", ("control", raw))
        database.executemany("INSERT INTO result VALUES (?, ?, ?, ?, ?, ?, ?)", [row] * RESULTS)
        database.execute("INSERT INTO outbox VALUES (?, ?)", ("control", raw))
    database.commit()


@dataclass(frozen=True, slots=True)
class Taken:
    """The rows of intake, the load at full speed and at half of it, MB the service held at most."""

    rows: list[Measured]
    full: Load
    half: Load
    memory: float


def measure_intake(raws: Sequence[bytes], rules: Path, database: str = servers.OWN) -> Taken:
    """Send messages to the running service and to the baseline; also insert the bare rows.

    `database` must be empty.
    """
    unit = f"{RESULTS}-result messages/s"
    later = list(messages(len(raws) // 2, now=datetime.now(UTC), first=len(raws) + 1))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with servers.ours(folder, rules, database) as server:
            ours = load(server.port, raws, connections=CONNECTIONS)
            half = load(server.port, later, connections=CONNECTIONS, rate=ours.rate / 2)
            memory = server.memory
        with servers.baseline(folder) as port:
            theirs = load(port, raws[: max(1, len(raws) // 20)], connections=1)
        bare = bare_inserts(folder, raws)
    against_build = Measured("intake", unit, ours.rate, "build on hl7apy", theirs.rate)
    against_rows = Measured("intake", unit, ours.rate, "bare SQLite inserts", bare)
    return Taken([against_build, against_rows], ours, half, memory)


def prepared(count: int) -> list[bytes]:
    """Return `count` messages of now."""
    return list(messages(count, now=datetime.now(UTC)))
