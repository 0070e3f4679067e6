"""Measures replay over stored history: ours on all cores against one plain loop."""

import os
import resource
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from verifier import settings
from verifier.assurance.replaying import Stretch
from verifier.bench import servers
from verifier.bench.measure import Measured
from verifier.decide.decide import decide
from verifier.facts.case import Case
from verifier.rulefiles import load_program
from verifier.service.candidates import of_folder
from verifier.service.line import Line
from verifier.service.replaying import run_replay
from verifier.settings import Settings
from verifier.store.rows import StoredDecision
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

MILLION = 1_000_000
_TOGETHER = 64  # messages in one transaction
_FEW = 10  # the plain loop gets one in so many specimens


@dataclass
class Pace:
    """When which decisions were done; the start of the processes counts apart."""

    began: float = field(default_factory=perf_counter)
    marks: list[tuple[float, int]] = field(default_factory=list)

    def __call__(self, done: int, of: int) -> None:
        """Note progress."""
        self.marks.append((perf_counter(), done))

    @property
    def start(self) -> float:
        """Return the seconds until the first decisions were done."""
        return self.marks[0][0] - self.began

    @property
    def per_second(self) -> float:
        """Return decisions per second from then on."""
        (early, before), (late, after) = self.marks[0], self.marks[-1]
        return (after - before) / (late - early)


@dataclass(frozen=True, slots=True)
class Replayed:
    """What was measured: the row of the table, the start in seconds, MB of the largest process."""

    row: Measured
    start: float
    memory: float

    @property
    def million(self) -> float:
        """Return how many seconds a million results take, start included."""
        return self.start + MILLION / self.row.ours


def measure_replay(raws: Sequence[bytes], rules: Path) -> Replayed:
    """Replay the rules over `raws` judged before.

    The plain loop decodes, judges and compares one decision after the other with the methods the
    page uses, in one process.

    Raises:
        ValueError: too few messages to measure with.
    """
    with TemporaryDirectory() as name:
        path, _ = servers.write_configuration(Path(name), rules)
        site = settings.load(path)
        _fill(site, raws)
        active, pace = of_folder(site.rules, site), Pace()
        found = run_replay(site, active, active, Stretch(), jobs=os.cpu_count(), progress=pace)
        if len(pace.marks) < 2:
            raise ValueError("too few messages to measure replay with; give 100 or more")
        plain = _plain_loop(site)
    if found.differs:
        raise AssertionError("the same facts and rules must give the same decision")
    ours = pace.per_second * found.counts.results / found.counts.decisions
    row = Measured("replay", "results/s, all cores", ours, "one plain loop", plain)
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    memory = (children or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) / 1024
    return Replayed(row, pace.start, memory)


def _fill(site: Settings, raws: Sequence[bytes]) -> None:
    """Judge messages as the service does, without sockets, and keep what was decided."""
    line = Line(site, load_program(site.rules, site.parameters, site.units))
    now = datetime.now(UTC)
    with Store.open(site.database, checkpoints=site.checkpoints) as store:
        for at in range(0, len(raws), _TOGETHER):
            store.write(partial(_take, line, raws[at : at + _TOGETHER], now))


def _take(line: Line, raws: Sequence[bytes], now: datetime, tx: Transaction) -> None:
    for raw in raws:
        line.take(tx, "bench", raw, now)


def _plain_loop(site: Settings) -> float:
    """Return the results per second of the straightforward way."""
    program = load_program(site.rules, site.parameters, site.units)
    results = 0
    with Store.open(site.database, checkpoints=site.checkpoints, writable=False) as store:
        cases, _ = store.read(lambda reader: reader.judged_cases(None, None))
        began = perf_counter()
        for case_id in cases[::_FEW]:
            for stored, facts in store.read(partial(_remembered, case_id)):
                assert decide(facts, program).results == stored.decision.results
                results += len(stored.decision.results) + len(stored.decision.derived)
    return results / (perf_counter() - began)


def _remembered(case_id: int, reader: Reader) -> list[tuple[StoredDecision, Case]]:
    found = []
    for stored in reader.decisions(case_id):
        facts = reader.facts(stored.id)
        assert facts is not None, "the service keeps the facts of every decision"
        found.append((stored, facts))
    return found
