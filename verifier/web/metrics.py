"""Metrics in the text format of Prometheus (exposition format 0.0.4). No label names a patient.

Counters count since the process started; gauges are read from the database when asked.
"""

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from verifier import __version__
from verifier.service.line import Line
from verifier.service.status import Status
from verifier.store.audit import LogState
from verifier.store.rows import Statistics
from verifier.store.tally import FAILED, UNREADABLE, Tally
from verifier.store.transaction import Reader

TYPE = "text/plain; version=0.0.4; charset=utf-8"
_STATM = Path("/proc/self/statm")

Labels = tuple[tuple[str, str], ...]


@dataclass(slots=True)
class Family:
    """One metric with its samples: a suffix of the name, labels, and the number."""

    name: str
    kind: str
    help: str
    samples: list[tuple[str, Labels, float]] = field(default_factory=list)

    def add(self, value: float, suffix: str = "", **labels: str) -> "Family":
        """Add a sample."""
        self.samples.append((suffix, tuple(labels.items()), value))
        return self


@dataclass(frozen=True, slots=True)
class Found:
    """What the database says, read from one state of it."""

    now: datetime
    numbers: Statistics
    opened: datetime | None
    sessions: int
    log: LogState
    size: int


def look(reader: Reader, now: datetime) -> Found:
    """Read what the gauges tell."""
    oldest = min((opened for _, opened in reader.queue_ages()), default=None)
    return Found(
        now,
        reader.statistics(since=now),
        oldest,
        reader.open_sessions(now),
        reader.audit_state(),
        reader.database()[1],
    )


def exposition(families: Iterable[Family]) -> str:
    """Return metrics as the text a scraper reads."""
    return "".join(f"{line}\n" for family in families for line in _lines(family))


def _lines(family: Family) -> Iterator[str]:
    yield f"# HELP {family.name} {_escaped(family.help)}"
    yield f"# TYPE {family.name} {family.kind}"
    for suffix, labels, value in family.samples:
        shown = ",".join(f'{name}="{_escaped(text, quoted=True)}"' for name, text in labels)
        yield f"{family.name}{suffix}{{{shown}}} {value}" if shown else f"{family.name} {value}"


def _escaped(text: str, *, quoted: bool = False) -> str:
    text = text.replace("\\", r"\\").replace("\n", r"\n")
    return text.replace('"', r"\"") if quoted else text


def all_families(found: Found, tally: Tally, status: Status, line: Line) -> Iterator[Family]:
    """Yield every metric there is."""
    yield from _counted(tally)
    yield from _doors(status)
    yield from _waiting(found)
    yield from _process(found, status, line)


def _counted(tally: Tally) -> Iterator[Family]:
    yield _counter(
        "verifier_messages_total", "Messages taken, by what became of them.",
        ("connection", "outcome"), tally.of("messages"),
    )  # fmt: skip
    yield _counter(
        "verifier_results_decided_total", "Decisions on results; one result may be decided anew.",
        ("outcome",), tally.of("results"),
    )  # fmt: skip
    yield _counter(
        "verifier_hold_reasons_total", "Decisions to hold a result, by the worst of its reasons.",
        ("rule",), tally.of("holds"),
    )  # fmt: skip
    failed, unread = tally.total(FAILED), tally.total(UNREADABLE)
    errors: dict[tuple[str, ...], int] = {("write",): failed, ("read",): unread}
    yield _counter(
        "verifier_database_errors_total", "Transactions and readings that the database refused.",
        ("kind",), errors,
    )  # fmt: skip


def _counter(
    name: str, said: str, labels: tuple[str, ...], counts: Mapping[tuple[str, ...], int]
) -> Family:
    family = Family(name, "counter", said)
    for key, count in sorted(counts.items()):
        family.add(count, **dict(zip(labels, key, strict=True)))
    return family


def _doors(status: Status) -> Iterator[Family]:
    listening = Family("verifier_listening", "gauge", "1 where a connection can be reached.")
    opened = Family("verifier_open_connections", "gauge", "Callers that are connected now.")
    refused = Family("verifier_refused_callers_total", "counter", "Callers that were turned away.")
    delays = Family(
        "verifier_acknowledgement_seconds", "histogram",
        "From the last byte of a message to its acknowledgement.",
    )  # fmt: skip
    for name, door in status.doors.items():
        listening.add(int(door.listening), connection=name)
        opened.add(door.open, connection=name)
        refused.add(door.refused, connection=name)
        counts = door.delays.cumulative()
        for bound, count in zip((*map(str, door.delays.bounds), "+Inf"), counts, strict=True):
            delays.add(count, "_bucket", connection=name, le=bound)
        delays.add(door.delays.sum, "_sum", connection=name)
        delays.add(counts[-1], "_count", connection=name)
    yield from (listening, opened, refused, delays)


def _waiting(found: Found) -> Iterator[Family]:
    numbers = found.numbers
    queue = Family("verifier_queue_specimens", "gauge", "Specimens with a result of this state.")
    queue.add(numbers.held_specimens, state="held")
    queue.add(numbers.waiting_specimens, state="waiting")
    yield queue
    yield _gauge(
        "verifier_queue_oldest_seconds", "Age of the oldest specimen with a held result; 0: none.",
        _age(found.opened, found.now),
    )  # fmt: skip
    yield _gauge(
        "verifier_problem_messages", "Messages that nobody has looked into.", numbers.problems
    )
    depth = Family("verifier_outbox_messages", "gauge", "Messages for a destination, by state.")
    oldest = Family("verifier_outbox_oldest_seconds", "gauge", "Age of the oldest that waits.")
    for name, count in numbers.outbox.items():
        depth.add(count.waiting, destination=name, state="waiting")
        depth.add(count.rejected, destination=name, state="refused")
        oldest.add(_age(count.oldest, found.now), destination=name)
    last = Family("verifier_last_message_timestamp_seconds", "gauge", "When one was last received.")
    for name, at in numbers.last_message.items():
        last.add(at.timestamp(), connection=name)
    yield from (depth, oldest, last)


def _process(found: Found, status: Status, line: Line) -> Iterator[Family]:
    log, version = found.log, line.judge.version
    yield _gauge("verifier_sessions", "People's browsers that are signed in.", found.sessions)
    yield Family("verifier_rules_info", "gauge", "The version of the rules that decides.").add(
        1, version="" if version is None else str(version)
    )
    yield _gauge("verifier_rules_alarm", "1 when not the version that should.", bool(line.alarm))
    yield _gauge("verifier_audit_entries", "Entries of the audit log.", log.head.size)
    yield _gauge(
        "verifier_audit_unsigned_entries", "Entries under no signed checkpoint yet.",
        log.head.size - log.signed.size,
    )  # fmt: skip
    yield _gauge("verifier_database_bytes", "Size of the database.", found.size)
    yield Family("verifier_build_info", "gauge", "The version of this program.").add(
        1, version=__version__
    )
    started = status.started.timestamp()
    yield _gauge("process_start_time_seconds", "When this process started.", started)
    if (memory := resident()) is not None:
        yield _gauge("process_resident_memory_bytes", "Memory of this process.", memory)


def _gauge(name: str, said: str, value: float) -> Family:
    return Family(name, "gauge", said).add(float(value))


def _age(since: datetime | None, now: datetime) -> float:
    return 0.0 if since is None else max(0.0, (now - since).total_seconds())


def resident() -> int | None:
    """Return the memory of this process in bytes, None where the system does not tell."""
    try:
        pages = int(_STATM.read_text(encoding="ascii").split()[1])
    except OSError:
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")
