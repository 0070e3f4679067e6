"""`Store`: the way into the database for everybody else."""

import logging
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Self, TypeVar, cast

from verifier import clock as clocks
from verifier.clock import Clock
from verifier.errors import StoreError
from verifier.settings import Settings
from verifier.store import migrate, sqlite
from verifier.store.base import MAIN
from verifier.store.checkpoint import Notary, sign_log
from verifier.store.export import write_export
from verifier.store.ids import IDS
from verifier.store.inclusion import EntryStanding, Proofs
from verifier.store.notes import PublicKey
from verifier.store.proofs import Consistency, Inclusion, prove_entry, prove_growth
from verifier.store.readers import Readers, SqliteSource
from verifier.store.rows import AuditHead
from verifier.store.sessions import SqliteSession
from verifier.store.tally import Tally
from verifier.store.transaction import Reader, Transaction
from verifier.store.verify import Report, verify
from verifier.store.writer import Writer

if TYPE_CHECKING:
    from verifier.store.bells import Bells
    from verifier.store.leases import Leases

log = logging.getLogger(__name__)

T = TypeVar("T")
SHARED = ("postgresql://", "postgresql+psycopg://")  # how addresses of PostgreSQL begin


class Store:
    """An open database: one writer thread, any number of readers.

    Use it as a context manager or call `close`. All methods may be called from any thread.
    """

    def __init__(
        self, writer: Writer | None, readers: Readers, notary: Notary, tally: Tally
    ) -> None:
        self._writer = writer
        self.tally = tally
        self._readers = readers
        self._notary = notary
        self._node = readers.node
        self._proofs = Proofs()
        self.leases: Leases | None = None  # None: nobody else forwards
        self._bells: Bells | None = None

    @classmethod
    def open(
        cls,
        url: str,
        *,
        checkpoints: Path,
        clock: Clock = clocks.now,
        writable: bool = True,
        node: str = MAIN,
        alone: bool = False,
    ) -> Self:
        """Open a database, creating or migrating it; `checkpoints` is a folder outside it.

        With `writable` false nothing is created or migrated and only `read` works. On PostgreSQL
        `node` names the audit log written to; with `alone`, as the service opens it, no other
        process may be open alone under this name.

        Raises:
            StoreError: it can not be opened, a newer version of this program made it, or another
                process works as this node.
        """
        if url.startswith(SHARED):
            return cls._open_shared(url, checkpoints, clock, writable, node, alone=alone)
        path, dialect = sqlite.path_of(url), sqlite.dialect()
        writer, tally = None, Tally()
        if writable:
            connection = sqlite.open_writer(path)
            try:
                migrate.upgrade(connection)
            except BaseException:
                connection.close()
                raise
            writer = Writer(SqliteSession(connection, dialect), clock, tally)
        readers = Readers(SqliteSource(path, dialect), MAIN, tally)
        store = cls(writer, readers, Notary(checkpoints), tally)
        log.info("database open, SQLite %s, writable: %s", sqlite.VERSION, writable)
        store._start()
        return store

    @classmethod
    def of(
        cls,
        settings: Settings,
        *,
        clock: Clock = clocks.now,
        writable: bool = True,
        alone: bool = False,
    ) -> Self:
        """Open the database that settings name, as `open` does."""
        return cls.open(
            settings.database,
            checkpoints=settings.checkpoints,
            clock=clock,
            writable=writable,
            node=settings.node,
            alone=alone,
        )

    @classmethod
    def _open_shared(
        cls, url: str, checkpoints: Path, clock: Clock, writable: bool, node: str, *, alone: bool
    ) -> Self:
        # Who uses a file does not wait for a driver.
        from verifier.store import postgres, shared
        from verifier.store.bells import Bells
        from verifier.store.leases import Leases

        server, dialect, writer = postgres.address(url), postgres.dialect(), None
        tally = Tally()
        if writable:
            migrate.upgrade_shared(server)
            session = shared.PostgresSession(server, dialect, node, alone=alone)
            writer = Writer(session, clock, tally)
        readers = Readers(shared.PostgresSource(server, dialect), node, tally)
        store = cls(writer, readers, Notary(checkpoints, node), tally)
        if writer is not None and alone:
            store.leases = Leases(server, dialect, node)
            store._bells = Bells(server, session.token, writer.ring)
        log.info("database open, PostgreSQL, node %s, writable: %s", node, writable)
        store._start()
        return store

    def submit(self, work: Callable[[Transaction], T]) -> "Future[T]":
        """Queue `work`; the future is done when the transaction it ran in is committed.

        An exception of `work` undoes only what `work` did and is raised by the future.
        """
        if self._writer is None:
            raise StoreError("the database was opened for reading only")
        return cast("Future[T]", self._writer.submit(work))

    def write(self, work: Callable[[Transaction], T]) -> T:
        """Run `work` in a transaction and return its value once that is committed."""
        return self.submit(work).result()

    def read(self, work: Callable[[Reader], T]) -> T:
        """Run `work` on one consistent state of the database, in the caller's thread."""
        return self._readers.read(work)

    def on_commit(self, bell: Callable[[frozenset[str]], None]) -> None:
        """Call `bell` from the writer thread after each commit with the topics it touched.

        Topics: messages, problems, cases, outbox, suspension, quality, people, rules. It is a
        doorbell, never a record: another process may write as well, so look now and then
        without it.
        """
        if self._writer is not None:
            self._writer.on_commit(bell)

    def checkpoint(self) -> AuditHead | None:
        """Sign the present head of the audit log into the checkpoints folder; None if signed.

        Raises:
            StoreError: the log does not extend what was signed before, or the key is missing.
        """
        return sign_log(self, self._notary)

    def last_signed(self) -> datetime | None:
        """Return when the folder of checkpoints last got one of this log, None before the first."""
        return self._notary.signed_at()

    def verify_audit(
        self, notes: Sequence[str] | None = None, key: PublicKey | None = None, log: str = ""
    ) -> Report:
        """Check one audit log as a whole, this node's own unless `log` names another.

        Checkpoints and key come from the folder if not given.
        """
        log = log or self._node
        kept, own = self._signed(log, notes, key)
        return self._readers.read(
            lambda r: verify(r.audit_stored(), r.audit_claim(), kept, own, log), log
        )

    def verify_logs(self) -> dict[str, Report]:
        """Check the audit logs of all nodes, each with its checkpoints in the folder."""
        names = self.read(lambda reader: reader.audit_logs()) or [self._node]
        return {name: self.verify_audit(log=name) for name in names}

    def prove_entries(
        self, entries: Iterable[tuple[str, int]]
    ) -> dict[tuple[str, int], EntryStanding]:
        """Return what can be shown of entries (log, number): whether they are in the signed log.

        Raises:
            StoreError: the checkpoints of a log can not be read or are not signed by its key.
        """
        by_log: dict[str, set[int]] = {}
        for log, seq in entries:
            by_log.setdefault(log, set()).add(seq)
        found: dict[tuple[str, int], EntryStanding] = {}
        for log, numbers in by_log.items():
            last = self._notary.of(log).last()
            proven = self._readers.read(partial(self._proofs.of, last=last, entries=numbers), log)
            found |= {(log, one.seq): one for one in proven}
        return found

    def export_audit(self, file: BinaryIO, *, details: bool = True, log: str = "") -> int:
        """Write one audit log with its checkpoints to a file; return the number of entries."""
        log = log or self._node
        notes, key = self._signed(log, None, None)
        return self._readers.read(
            lambda r: write_export(
                file, r.audit_claim(), notes, key, r.audit_stored(), details=details
            ),
            log,
        )

    def prove_entry(self, number: int, *, details: bool = False, log: str = "") -> Inclusion:
        """Return the proof that an entry lies under the newest checkpoint of its log.

        Raises:
            StoreError: it is not signed yet, or the log does not give what was signed.
        """
        log = log or self._node
        notes, key = self._signed(log, None, None)
        return self._readers.read(
            lambda r: prove_entry(number, r.audit_stored(), notes, key, details=details), log
        )

    def prove_growth(self, old: int, new: int | None = None, log: str = "") -> Consistency:
        """Return the proof that one checkpoint of a log (None: the newest) extends another.

        Raises:
            StoreError: there is no such checkpoint, or the log does not give what was signed.
        """
        log = log or self._node
        notes, key = self._signed(log, None, None)
        return self._readers.read(
            lambda r: prove_growth(old, new, r.audit_stored(), notes, key), log
        )

    def close(self) -> None:
        """Commit what is queued and close all connections.

        The writer goes last: only the last connection to go can fold in the write-ahead file.
        """
        if self._bells is not None:
            self._bells.close()
        if self.leases is not None:
            self.leases.close()
        self._readers.close()
        if self._writer is not None:
            self._writer.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _signed(
        self, log: str, notes: Sequence[str] | None, key: PublicKey | None
    ) -> tuple[Sequence[str], PublicKey | None]:
        """Return checkpoints read before the log, so that none can be newer than it."""
        notary = self._notary.of(log)
        kept = notary.notes() if notes is None else notes
        return kept, key or notary.public_key()

    def _start(self) -> None:
        IDS.stay_above(self.read(lambda reader: reader.newest_id()))
