"""Shadow run: a candidate judges every decision of the live service again, beside it.

It reads what is committed, from the database, in a process of its own at low priority; what it says
otherwise is written by the service's own writer, once a second at most. So it can neither delay nor
change an acknowledgement, an outgoing message or a decision; what goes wrong with it is kept as its
`trouble`, and the line never hears of it.
"""

import asyncio
import logging
from collections import deque
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from time import monotonic

from msgspec import Struct
from msgspec.structs import replace

from verifier.errors import StoreError, VerifierError
from verifier.service.aside import processes
from verifier.service.candidates import Candidate, active, of_shadow
from verifier.service.failures import named
from verifier.service.pastfacts import Site
from verifier.service.rejudging import Judging, Record
from verifier.settings import Settings
from verifier.store.past import PastDecision
from verifier.store.shadows import Beside, Judged, Shadow
from verifier.store.store import Store
from verifier.store.transaction import Reader

log = logging.getLogger(__name__)

TICK = 1.0  # seconds
_BEHIND = 5.0  # seconds in which a decision with a smaller id may still be on its way
_AT_ONCE = 128  # decisions


class Task(Struct, frozen=True):
    """What the process beside is told once."""

    database: str
    checkpoints: Path
    site: Site
    candidate: Candidate
    kept: Candidate


async def run_shadow(store: Store, settings: Settings) -> None:
    """Keep the shadow run that stands going, until cancelled. Never raises anything else."""
    shadowing = Shadowing(store, settings)
    try:
        while True:
            try:
                busy = await shadowing.step()
            except Exception as error:  # nothing here may end the service
                log.error("shadow run: %s", named(error))
                busy = False
            await asyncio.sleep(0 if busy else TICK)
    finally:
        shadowing.close()


def task_of(reader: Reader, shadow: Shadow, settings: Settings) -> Task:
    """Return what the process beside must know of a shadow run."""
    return Task(
        settings.database, settings.checkpoints, Site.of(settings),
        of_shadow(reader, shadow, settings), active(reader, settings),
    )  # fmt: skip


class Shadowing:
    """The process beside, and for which shadow run it was started."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store, self._settings = store, settings
        self._pool: ProcessPoolExecutor | None = None
        self._number = 0
        self._marks: deque[tuple[float, int]] = deque()  # when which decision was the newest

    async def step(self) -> bool:
        """Judge the next decisions beside; True when there may be more of them at once."""
        shadow = await asyncio.to_thread(self._store.read, lambda reader: reader.running_shadow())
        if shadow is None or shadow.id != self._number:
            self.close()
        if shadow is None:
            return False
        try:
            done, full = await self._judged(shadow)
        except Exception as error:
            self.close()
            why = str(error) if isinstance(error, VerifierError) else named(error)
            await self._keep_trouble(shadow, why)
            return False
        if done.last == shadow.last and not shadow.trouble:
            return False
        await asyncio.wrap_future(self._store.submit(lambda tx: tx.keep_beside(shadow.id, done)))
        return full

    def close(self) -> None:
        """End the process beside; what it has not told is judged again by the next one."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
        self._pool, self._number = None, 0

    async def _judged(self, shadow: Shadow) -> tuple[Judged, bool]:
        if self._pool is None:
            task = await asyncio.to_thread(
                self._store.read, lambda reader: task_of(reader, shadow, self._settings)
            )
            self._pool, self._number = processes(1), shadow.id
            await asyncio.wrap_future(self._pool.submit(_prepare, task))
        newest = await asyncio.to_thread(self._store.read, lambda reader: reader.newest_decision())
        upto = self._settled(newest)
        return await asyncio.wrap_future(self._pool.submit(_next, shadow.last, upto))

    def _settled(self, newest: int) -> int:
        """Return what was the newest decision a while ago, wherever the clock was set since."""
        now = monotonic()
        self._marks.append((now, newest))
        upto = 0
        while self._marks and self._marks[0][0] <= now - _BEHIND:
            upto = self._marks.popleft()[1]
        self._marks.appendleft((now - _BEHIND, upto))
        return upto

    async def _keep_trouble(self, shadow: Shadow, why: str) -> None:
        log.error("shadow run %d: %s", shadow.id, why)
        if why != shadow.trouble:
            await asyncio.wrap_future(
                self._store.submit(lambda tx: tx.shadow_trouble(shadow.id, why))
            )


class _Process(Struct):
    """What the process beside keeps."""

    store: Store
    judging: Judging


_process: _Process | None = None


def _prepare(task: Task) -> None:
    """Compile the candidate, in the process beside.

    Raises:
        RuleSetError: it has errors. StoreError: the database can not be opened.
    """
    global _process
    store = Store.open(task.database, checkpoints=task.checkpoints, writable=False)
    judging = Judging(task.candidate.program(), task.kept.program(), task.site)
    _process = _Process(store, judging)


def _next(after: int, upto: int) -> tuple[Judged, bool]:
    """Judge the next decisions, in the process beside; also say whether there may be more."""
    assert _process is not None, "prepared before"
    judging = _process.judging
    return _process.store.read(lambda reader: _judge(reader, judging, after, upto))


def _judge(reader: Reader, judging: Judging, after: int, upto: int) -> tuple[Judged, bool]:
    rows = reader.decisions_after(after, upto, _AT_ONCE)
    judged = [row for row in rows if row.facts is not None]
    found = (_beside(row, judging, partial(reader.record, row.case_id)) for row in judged)
    beside = tuple(item for item in found if item is not None)
    last = rows[-1].id if rows else after
    return Judged(after, last, len(judged), beside), len(rows) == _AT_ONCE


def _beside(row: PastDecision, judging: Judging, record: Record) -> Beside | None:
    """Return what the candidate says of the facts of a decision, None when it says the same."""
    try:
        facts = row.case()
    except StoreError as error:  # it stays unread, and the run goes on
        return Beside(row.case_id, row.id, None, str(error))
    assert facts is not None, "asked of decisions with facts only"
    decision, failure = judging.decide(row, facts, record)
    # That another rule set says it is no difference.
    same = decision and replace(decision, rule_set=row.rule_set)
    if same and (row.says(same) or same == row.decision()):
        return None
    return Beside(row.case_id, row.id, decision, failure)
