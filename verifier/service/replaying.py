"""Replay: a candidate rule set judges stored history again, over several processes.

From anywhere, a thread of the page included (it blocks; progress comes in the caller's thread)::

    from verifier.service.replaying import run_replay
    from verifier.service import candidates

    found = run_replay(
        settings,                                   # of the service; only its database is read
        candidate=store.read(lambda r: candidates.of_version(r, 3, settings)),
        against=store.read(lambda r: candidates.active(r, settings)),  # None: as it was recorded
        stretch=Stretch(since=..., until=...),      # verifier.assurance.replaying
        jobs=2, most=200, apart=True,               # apart: nothing heavy in this process
        progress=lambda done, of: ...,              # decisions; called many times a second at most
    )                                               # -> verifier.assurance.replaying.Replay

`Replay` is a plain frozen struct. `to_store(found)` is what `ruleshelf.store_replay` keeps, and
`from_store` makes a `Replay` of that again. To break off, raise from `progress`. The live service
is not touched: connections are read-only and short, and the worker processes run at low priority.
"""

import os
from array import array
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import closing, contextmanager
from datetime import datetime
from functools import cached_property, partial
from pathlib import Path

import msgspec
from msgspec import Struct

from verifier import clock as clocks
from verifier.assurance.replay_cautions import cautions
from verifier.assurance.replay_count import Tally
from verifier.assurance.replaying import Covered, Replay, Stretch
from verifier.service.aside import processes
from verifier.service.candidates import Candidate, active
from verifier.service.pastfacts import Site
from verifier.service.rejudging import Rejudge
from verifier.settings import Settings
from verifier.store import codec
from verifier.store.past import CASES_AT_ONCE
from verifier.store.store import Store

RECORDED = "recorded"
_ALONE = 2_000  # decisions; fewer are judged sooner than further processes have started
_AHEAD = 3  # pieces of work per process that wait to be done

Progress = Callable[[int, int], None]


class Outline(Struct, frozen=True):
    """Identities of the rule sets, and what the replay can not show."""

    candidate: str
    against: str
    cautions: tuple[str, ...]


_Work = tuple[Callable[[], Outline], Callable[[Iterable["array[int]"]], Iterable[Tally]]]


class Job(Struct, frozen=True):
    """What every process of a replay is told.

    `kept` is the rule set that decides now: facts are as it read them. `again`: judge with
    `against` whatever is stored.
    """

    database: str
    checkpoints: Path
    site: Site
    candidate: Candidate
    against: Candidate | None
    kept: Candidate
    stretch: Stretch
    most: int
    again: bool = False


def run_replay(
    settings: Settings,
    candidate: Candidate,
    against: Candidate | None,
    stretch: Stretch,
    *,
    jobs: int | None = None,
    most: int = 200,
    again: bool = False,
    apart: bool = False,
    progress: Progress = lambda done, of: None,
) -> Replay:
    """Judge a stretch of stored history again and return what differs.

    Decisions that `against` made are taken from the record, for the same facts and rules give the
    same decision; with `again` they are judged again too, and those that come out different are
    counted. `jobs` is the number of processes, by default one per core. `most` is how many changes
    are kept, worst first. With `apart` nothing is compiled or judged in this process, however
    little there is to do: a service has other threads that must not wait.

    Raises:
        RuleSetError: a rule set has errors.
        StoreError: the database can not be read.
    """
    tally = Tally(stretch, most)
    with Store.open(settings.database, checkpoints=settings.checkpoints, writable=False) as store:
        job = Job(
            settings.database, settings.checkpoints, Site.of(settings), candidate, against,
            store.read(lambda reader: active(reader, settings)), _bounded(stretch), most, again,
        )  # fmt: skip
        cases, decisions = store.read(
            lambda reader: reader.judged_cases(job.stretch.since, job.stretch.until)
        )
        covered = _covered(stretch, store.read(lambda reader: reader.judged_between()))
        count = jobs or os.cpu_count() or 1
        alone = not apart and (count == 1 or decisions <= _ALONE)
        with _here(job) if alone else _beside(job, count) as (outline, tallies):
            said = outline()
            for part in tallies(_pieces(cases)):
                tally.add(part)
                progress(tally.counts.decisions + tally.counts.without_facts, decisions)
    changes, left_out = tally.worst()
    return Replay(
        candidate=candidate.name,
        candidate_identity=said.candidate,
        against=against.name if against else RECORDED,
        against_identity=said.against,
        stretch=stretch,
        made=clocks.now(),
        counts=tally.counts,
        changes=changes,
        left_out=left_out,
        cautions=said.cautions,
        covered=covered,
    )


def to_store(replay: Replay) -> bytes:
    """Return a replay as it is kept beside a version: the same one gives the same bytes."""
    return codec.encode(msgspec.structs.replace(replay, made=None))


def from_store(stored: bytes) -> Replay:
    """Return what `to_store` gave."""
    return msgspec.json.decode(stored, type=Replay)


def _bounded(stretch: Stretch) -> Stretch:
    """End an open stretch now, so that what arrives meanwhile does not count by halves."""
    return stretch if stretch.until else msgspec.structs.replace(stretch, until=clocks.now())


def _covered(stretch: Stretch, stored: tuple[datetime, datetime] | None) -> Covered:
    if stored is None:
        return Covered(0, True)
    oldest, newest = stored
    since, until = stretch.since or oldest, stretch.until
    whole = since <= oldest and (until is None or until > newest)
    # Of all there is, the end is the last decision, so that the same replay has the same hash.
    end = newest if whole else until or clocks.now()
    return Covered(max(0, (end - max(since, oldest)).days), whole)


def _rejudge(job: Job) -> Rejudge:
    wanted = [item for item in (job.candidate, job.against, job.kept) if item]
    programs = {item.texts.hash: item for item in wanted}
    compiled = {hashed: item.program() for hashed, item in programs.items()}
    against = compiled[job.against.texts.hash] if job.against else None
    return Rejudge(
        compiled[job.candidate.texts.hash], against, compiled[job.kept.texts.hash], job.site,
        again=job.again,
    )  # fmt: skip


def _pieces(cases: "array[int]") -> Iterator["array[int]"]:
    return (cases[at : at + CASES_AT_ONCE] for at in range(0, len(cases), CASES_AT_ONCE))


@contextmanager
def _here(job: Job) -> Iterator[_Work]:
    """Judge in this process."""
    with closing(_Process(job)) as process:
        yield process.outline, lambda pieces: map(process.tally, pieces)


@contextmanager
def _beside(job: Job, count: int) -> Iterator[_Work]:
    """Judge in processes of their own."""
    with processes(count, _begin, job) as pool:
        try:
            yield pool.submit(_outline).result, partial(_in_order, pool, count * _AHEAD)
        finally:
            pool.shutdown(cancel_futures=True)


def _in_order(
    pool: ProcessPoolExecutor, ahead: int, pieces: Iterable["array[int]"]
) -> Iterator[Tally]:
    """Yield the counts of one piece after the other, never more than `ahead` of them under way."""
    waiting: deque[Future[Tally]] = deque()
    for piece in pieces:
        waiting.append(pool.submit(_tally, piece))
        if len(waiting) >= ahead:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


class _Process:
    """What a process keeps: the database, and the rule sets compiled when first asked for."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._store = Store.open(job.database, checkpoints=job.checkpoints, writable=False)

    @cached_property
    def _rejudge(self) -> Rejudge:
        return _rejudge(self._job)

    def outline(self) -> Outline:
        """Return what is told of the rule sets."""
        found = self._rejudge
        against = found.against.identity if found.against else ""
        return Outline(found.candidate.identity, against, cautions(found.candidate, found.kept))

    def tally(self, cases: "array[int]") -> Tally:
        """Return the counts of one piece."""
        return self._rejudge.tally(self._store, cases, self._job.stretch, self._job.most)

    def close(self) -> None:
        """Close the database."""
        self._store.close()


_process: _Process | None = None


def _begin(job: Job) -> None:
    # What may fail with a sentence is left to the first piece of work, which can tell it.
    global _process
    _process = _Process(job)


def _outline() -> Outline:
    assert _process is not None
    return _process.outline()


def _tally(cases: "array[int]") -> Tally:
    assert _process is not None
    return _process.tally(cases)
