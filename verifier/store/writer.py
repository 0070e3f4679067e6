"""The one thread that writes: many pieces of work, one transaction, one sync to disk.

A piece of work that fails is undone alone; the others of its batch are committed. A future is
resolved only after the commit, so that whoever waits for it may acknowledge. Work may be run
again when the server undid it for the sake of another node: it must change nothing but the
database.
"""

import logging
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from verifier.clock import Clock
from verifier.errors import StoreError
from verifier.store.claims import Busy, Claim
from verifier.store.sessions import Session
from verifier.store.sql import Cursor
from verifier.store.tally import FAILED, Tally
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)

LARGEST_BATCH = 64
MOST_TRIES = 5  # of work that the server undid
Work = Callable[[Transaction], Any]
Bell = Callable[[frozenset[str]], None]


@dataclass(slots=True)
class _Job:
    """A piece of work, who waits for it, and what it needs that was busy the last time."""

    work: Work
    future: "Future[Any]" = field(default_factory=Future)
    needs: frozenset[Claim] = frozenset()
    tries: int = 0


class _UndoneError(Exception):
    """The failure of one piece of work ended the whole transaction."""


class Writer:
    """Runs submitted work on a connection nobody else uses."""

    def __init__(self, session: Session, clock: Clock, tally: Tally) -> None:
        self._session = session
        self._tally = tally
        self._clock = clock
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._bells: list[Bell] = []
        self._gate = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._loop, name="store-writer", daemon=True)
        self._thread.start()

    def submit(self, work: Work) -> "Future[Any]":
        """Queue a piece of work. Raises StoreError when the store is closed."""
        job = _Job(work)
        with self._gate:
            if self._closed:
                raise StoreError("the database is closed")
            self._jobs.put(job)
        return job.future

    def on_commit(self, bell: Bell) -> None:
        """Call `bell` with the touched topics after every commit that touched any."""
        self._bells.append(bell)

    def ring(self, touched: frozenset[str]) -> None:
        """Call the bells; another process committed when it is not the writer who calls."""
        for bell in self._bells:
            try:
                bell(touched)
            except Exception:
                log.exception("a listener to commits failed")

    def close(self) -> None:
        """Do what is queued, then stop; the connection is closed."""
        with self._gate:
            if not self._closed:
                self._closed = True
                self._jobs.put(None)
        self._thread.join()

    def _loop(self) -> None:
        going = True
        while going:
            jobs, going = self._next_batch()
            while jobs:
                jobs = self._commit(jobs)
        self._session.close()

    def _next_batch(self) -> tuple[list[_Job], bool]:
        """Wait for a job, then take what else is there. The second value: whether to go on."""
        jobs: list[_Job] = []
        job = self._jobs.get()
        while job is not None:
            if job.future.set_running_or_notify_cancel():
                jobs.append(job)
            if len(jobs) >= LARGEST_BATCH:
                return jobs, True
            try:
                job = self._jobs.get_nowait()
            except queue.Empty:
                return jobs, True
        return jobs, False

    def _commit(self, jobs: list[_Job]) -> list[_Job]:
        """Run jobs in one transaction; return those to be run in the next, in their order."""
        outcomes: list[tuple[Future[Any], Any, BaseException | None]] = []
        left: list[_Job] = []
        session = self._session
        try:
            cursor = session.begin()
            transaction = Transaction(
                cursor, session.dialect, self._clock, session.node, session.claims(cursor)
            )
            for at, job in enumerate(jobs):
                try:
                    outcomes.append((job.future, *self._run(transaction, cursor, job)))
                except Busy as busy:
                    job.needs, left = busy.needs, jobs[at:]
                    break
            transaction.finish()
            session.commit()
        except BaseException as error:  # whatever it was, those who wait must hear of it
            return self._failed(jobs, error)
        self._tally.add(transaction.counted)
        for future, value, problem in outcomes:
            if problem is None:
                future.set_result(value)
            else:
                future.set_exception(problem)
        if transaction.touched:
            touched = frozenset(transaction.touched)
            self.ring(touched)
            session.tell(touched)
        return left

    def _run(
        self, transaction: Transaction, cursor: Cursor, job: _Job
    ) -> tuple[Any, BaseException | None]:
        """Run one piece of work inside a savepoint; return its value or what it raised.

        Raises:
            Busy: another node has what it needs; the work is undone.
            _UndoneError: the failure ended the whole transaction (disk full, connection lost).
        """
        mark = transaction.mark()
        cursor.execute("SAVEPOINT work")
        try:
            transaction.begin_work(job.needs)
            value = job.work(transaction)
        except Exception as error:
            if not self._session.usable() or self._session.worth_again(error):
                raise _UndoneError(str(error)) from error
            cursor.execute("ROLLBACK TO work")
            cursor.execute("RELEASE work")
            transaction.return_to(mark)
            if isinstance(error, Busy):
                raise
            return None, self._as_ours(error)
        cursor.execute("RELEASE work")
        return value, None

    def _failed(self, jobs: list[_Job], error: BaseException) -> list[_Job]:
        """Undo everything; return the jobs if they shall be run once more.

        Otherwise those who wait hear of it: nothing of this batch may be acknowledged.
        """
        cause = error.__cause__ if isinstance(error, _UndoneError) and error.__cause__ else error
        known = isinstance(cause, (*self._session.errors, StoreError))
        # no patient data
        why = self._session.told(cause) if known else type(cause).__name__
        again = self._session.worth_again(cause) and jobs[0].tries < MOST_TRIES
        self._session.undo()
        if again:
            log.info("a transaction is run again: %s", why)
            jobs[0].tries += 1
            return jobs
        log.error("a transaction could not be committed: %s", why)
        self._tally.add({(FAILED,): 1})
        for job in jobs:
            job.future.set_exception(self._as_ours(cause))
        return []

    def _as_ours(self, error: BaseException) -> BaseException:
        """Return a driver's error as one of ours, others as they are."""
        if not isinstance(error, self._session.errors):
            return error
        ours = StoreError(f"the database refused: {self._session.told(error)}")
        ours.__cause__ = error
        return ours
