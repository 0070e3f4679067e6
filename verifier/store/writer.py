"""The one thread that writes: many pieces of work, one transaction, one sync to disk.

A piece of work that fails is undone alone; the others of its batch are committed. A future is
resolved only after the commit, so that whoever waits for it may acknowledge.
"""

import contextlib
import logging
import queue
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from sqlalchemy.engine.interfaces import Dialect

from verifier.clock import Clock
from verifier.errors import StoreError
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)

LARGEST_BATCH = 64
Work = Callable[[Transaction], Any]
Bell = Callable[[frozenset[str]], None]
_Job = tuple[Work, "Future[Any]"]


class Writer:
    """Runs submitted work on a connection nobody else uses."""

    def __init__(self, connection: sqlite3.Connection, dialect: Dialect, clock: Clock) -> None:
        self._connection = connection
        self._dialect = dialect
        self._clock = clock
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._bells: list[Bell] = []
        self._gate = threading.Lock()
        self._closed = False
        self._thread = threading.Thread(target=self._loop, name="store-writer", daemon=True)
        self._thread.start()

    def submit(self, work: Work) -> "Future[Any]":
        """Queue a piece of work. Raises StoreError when the store is closed."""
        future: Future[Any] = Future()
        with self._gate:
            if self._closed:
                raise StoreError("the database is closed")
            self._jobs.put((work, future))
        return future

    def on_commit(self, bell: Bell) -> None:
        """Call `bell` with the touched topics after every commit that touched any."""
        self._bells.append(bell)

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
            if jobs:
                self._commit(jobs)
        self._connection.close()

    def _next_batch(self) -> tuple[list[_Job], bool]:
        """Wait for a job, then take what else is there. The second value: whether to go on."""
        jobs: list[_Job] = []
        job = self._jobs.get()
        while job is not None:
            if job[1].set_running_or_notify_cancel():
                jobs.append(job)
            if len(jobs) >= LARGEST_BATCH:
                return jobs, True
            try:
                job = self._jobs.get_nowait()
            except queue.Empty:
                return jobs, True
        return jobs, False

    def _commit(self, jobs: list[_Job]) -> None:
        cursor = self._connection.cursor()
        transaction = Transaction(cursor, self._dialect, self._clock)
        outcomes: list[tuple[Future[Any], Any, BaseException | None]] = []
        try:
            cursor.execute("BEGIN IMMEDIATE")
            for work, future in jobs:
                outcomes.append((future, *self._run(transaction, cursor, work)))
            transaction.finish()
            cursor.execute("COMMIT")
        except BaseException as error:  # whatever it was, those who wait must hear of it
            self._fail(jobs, error)
            return
        finally:
            cursor.close()
        for future, value, problem in outcomes:
            if problem is None:
                future.set_result(value)
            else:
                future.set_exception(problem)
        self._ring(frozenset(transaction.touched))

    def _run(
        self, transaction: Transaction, cursor: sqlite3.Cursor, work: Work
    ) -> tuple[Any, BaseException | None]:
        """Run one piece of work inside a savepoint; return its value or what it raised.

        Raises:
            sqlite3.Error: the failure ended the whole transaction (disk full, input/output).
        """
        mark = transaction.mark()
        cursor.execute("SAVEPOINT work")
        try:
            value = work(transaction)
        except Exception as error:
            if not self._connection.in_transaction:
                raise sqlite3.OperationalError(str(error)) from error
            cursor.execute("ROLLBACK TO work")
            cursor.execute("RELEASE work")
            transaction.return_to(mark)
            return None, _as_ours(error)
        cursor.execute("RELEASE work")
        return value, None

    def _fail(self, jobs: list[_Job], error: BaseException) -> None:
        """Undo everything: nothing of this batch may be acknowledged."""
        why = error if isinstance(error, sqlite3.Error) else type(error).__name__  # no patient data
        log.error("a transaction could not be committed: %s", why)
        if self._connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
        for _, future in jobs:
            future.set_exception(_as_ours(error))

    def _ring(self, touched: frozenset[str]) -> None:
        if not touched:
            return
        for bell in self._bells:
            try:
                bell(touched)
            except Exception:
                log.exception("a listener to commits failed")


def _as_ours(error: BaseException) -> BaseException:
    """Return a driver's error as one of ours, others as they are."""
    if not isinstance(error, sqlite3.Error):
        return error
    ours = StoreError(f"the database refused: {error}")
    ours.__cause__ = error
    return ours
