"""Replay: a candidate rule set judges stored history again, over several processes.

From anywhere, a thread of the page included (it blocks; progress comes in the caller's thread)::

    from verifier.service.replaying import run_replay
    from verifier.service import candidates

    found = run_replay(
        settings,                                   # of the service; only its database is read
        candidate=store.read(lambda r: candidates.of_version(r, 3, settings)),
        against=store.read(lambda r: candidates.active(r, settings)),  # None: as it was recorded
        stretch=Stretch(since=..., until=...),      # verifier.assurance.replaying
        jobs=2, most=200,                           # processes; how many changes are kept
        progress=lambda done, of: ...,              # decisions; called many times a second at most
    )                                               # -> verifier.assurance.replaying.Replay

`Replay` is a plain frozen struct. `to_store(found)` is what `ruleshelf.store_replay` keeps, and
`from_store` makes a `Replay` of that again. To break off, raise from `progress`. The live service
is not touched: connections are read-only and short, and the worker processes run at low priority.
"""

import os
from array import array
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

import msgspec
from msgspec import Struct

from verifier import clock as clocks
from verifier.assurance.replay_cautions import cautions
from verifier.assurance.replay_count import Tally
from verifier.assurance.replaying import Replay, Stretch
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
    progress: Progress = lambda done, of: None,
) -> Replay:
    """Judge a stretch of stored history again and return what differs.

    Decisions that `against` made are taken from the record, for the same facts and rules give the
    same decision; with `again` they are judged again too, and those that come out different are
    counted. `jobs` is the number of processes, by default one per core. `most` is how many changes
    are kept, worst first.

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
        here = _rejudge(job)
        cases, decisions = store.read(
            lambda reader: reader.judged_cases(job.stretch.since, job.stretch.until)
        )
        count = (jobs or os.cpu_count() or 1) if decisions > _ALONE else 1
        for part in _parts(job, here, store, cases, count):
            tally.add(part)
            progress(tally.counts.decisions + tally.counts.without_facts, decisions)
    changes, left_out = tally.worst()
    return Replay(
        candidate=candidate.name,
        candidate_identity=here.candidate.identity,
        against=against.name if against else RECORDED,
        against_identity=here.against.identity if here.against else "",
        stretch=stretch,
        made=clocks.now(),
        counts=tally.counts,
        changes=changes,
        left_out=left_out,
        cautions=cautions(here.candidate, here.kept),
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


def _open(job: Job) -> Store:
    return Store.open(job.database, checkpoints=job.checkpoints, writable=False)


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


def _parts(
    job: Job, here: Rejudge, store: Store, cases: "array[int]", count: int
) -> Iterator[Tally]:
    """Yield the counts of one piece of the cases after the other."""
    if count == 1:
        yield from (here.tally(store, piece, job.stretch, job.most) for piece in _pieces(cases))
        return
    with processes(count, _begin, job) as pool:
        try:
            waiting: deque[Future[Tally]] = deque()
            for piece in _pieces(cases):
                waiting.append(pool.submit(_piece, piece))
                if len(waiting) >= count * _AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)


class _Process(Struct):
    """What a process of the pool keeps."""

    job: Job
    store: Store
    rejudge: Rejudge


_process: _Process | None = None


def _begin(job: Job) -> None:
    """Compile once per process."""
    global _process
    _process = _Process(job, _open(job), _rejudge(job))


def _piece(cases: "array[int]") -> Tally:
    assert _process is not None
    job = _process.job
    return _process.rejudge.tally(_process.store, cases, job.stretch, job.most)
