"""A whole database as one file, taken while the service runs, and put back.

The file is a zip of a consistent copy of the database, the signed checkpoints of all its logs as
they were just before it, the keys they are signed with, and a page of what it is. The copy is an
SQLite file whatever the database is, so a restore may move between SQLite and PostgreSQL. It holds
patient data and secrets: keep it as such.
"""

import hashlib
import os
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import msgspec
from msgspec import Struct

from verifier import __version__
from verifier.errors import StoreError
from verifier.store import migrate, sqlite
from verifier.store.base import MAIN
from verifier.store.checkpoint import Notary
from verifier.store.store import SHARED, Store
from verifier.store.verify import Report

ABOUT, DATABASE = "about.json", "verifier.db"
SIGNED = "checkpoints"  # the folder of the signed files while a copy is checked
_PUBLIC = (".checkpoints", ".public")
_PAGES = 2_000  # of one step
_CHUNK = 1 << 20
Progress = Callable[[int, int], None]


class About(Struct, frozen=True):
    """What a backup is: made when and by which version, how large, and what it must hash to."""

    made: datetime
    program: str
    schema: str
    size: int
    sha256: str
    audit_entries: int
    logs: dict[str, int] = {}  # entries of each; one log, if empty

    @property
    def of_logs(self) -> dict[str, int]:
        """How many entries each audit log has."""
        return self.logs or {MAIN: self.audit_entries}


def back_up(url: str, checkpoints: Path, target: Path, now: datetime, progress: Progress) -> About:
    """Write a backup of a database that may be in use; `progress` gets what is done and of how
    much.

    The copy is checked before it counts: its structure, and its audit logs against the
    checkpoints.

    Raises:
        StoreError: the target exists, there is no room, or the copy is not whole.
    """
    if target.exists():
        raise StoreError(f"{target} exists already and is not overwritten")
    try:
        with tempfile.TemporaryDirectory(dir=target.resolve().parent) as name:
            folder = Path(name)
            signed = _take_signed(checkpoints, folder / SIGNED)  # never newer than ...
            copy = folder / DATABASE
            _copy(url, copy, progress)  # ... the copy
            about = _described(copy, _checked(copy, folder / SIGNED), now)
            whole = folder / "whole"
            descriptor = os.open(whole, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "wb") as file:
                with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                    archive.writestr(ABOUT, msgspec.json.format(msgspec.json.encode(about)))
                    archive.write(copy, DATABASE)
                    for name, data in signed.items():
                        archive.writestr(name, data)
                file.flush()
                os.fsync(file.fileno())
            os.link(whole, target)  # complete or not there, and never over another file
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"the backup {target} could not be written: {error}") from error
    return about


def _take_signed(checkpoints: Path, folder: Path) -> dict[str, bytes]:
    """Return checkpoints and keys under their names in a backup; put the public ones to `folder`.

    Keys are read first: a log that is signed for the first time meanwhile lacks its checkpoints
    in the backup, never the key of checkpoints that are there.
    """
    folder.mkdir(mode=0o700)
    keys = {kept.name_in_backup: kept for kept in Notary.all_in(checkpoints)}
    signed = {name: kept.key_file.read_bytes() for name, kept in keys.items()}
    for path in sorted(checkpoints.glob("audit*")) if checkpoints.is_dir() else ():
        if path.suffix in _PUBLIC:
            signed[path.name] = path.read_bytes()
            (folder / path.name).write_bytes(signed[path.name])
    return signed


def _copy(url: str, target: Path, progress: Progress) -> None:
    if url.startswith(SHARED):
        from verifier.store import moving  # who uses a file does not wait for a driver

        moving.to_file(url, target, progress)
    else:
        _copy_file(sqlite.path_of(url), target, progress)


def _copy_file(source: Path, target: Path, progress: Progress) -> None:
    reader = sqlite.open_reader(source)
    try:
        copy = sqlite3.connect(target)
        try:
            # An open transaction keeps the reader on one state while others write on.
            reader.execute("BEGIN")
            reader.execute("SELECT count(*) FROM alembic_version").fetchone()
            reader.backup(
                copy, pages=_PAGES, progress=lambda _, left, every: progress(every - left, every)
            )
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, no other beside it
        finally:
            copy.close()
    finally:
        reader.close()


def _checked(copy: Path, signed: Path) -> dict[str, Report]:
    connection = sqlite3.connect(copy)
    try:
        (said,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    finally:
        connection.close()
    if said != "ok":
        raise StoreError(f"the copy is damaged: {said}")
    with Store.open(f"{sqlite.PREFIX}{copy}", checkpoints=signed, writable=False) as store:
        reports = store.verify_logs()
    for log, report in reports.items():
        if Notary(signed, log).notes() and report.findings:
            raise StoreError(
                f"the audit log {log} of this database does not verify: {report.findings[0]}. "
                "Run `verifier audit verify` before you rely on a backup of it."
            )
    return reports


def _described(copy: Path, reports: dict[str, Report], now: datetime) -> About:
    connection = sqlite3.connect(copy)
    try:
        schema = migrate.revision(connection) or ""
    finally:
        connection.close()
    with copy.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    logs = {log: report.entries for log, report in reports.items()}
    size = copy.stat().st_size
    return About(now, __version__, schema, size, digest, sum(logs.values()), logs)


def restore(
    source: Path,
    url: str,
    checkpoints: Path,
    progress: Progress,
    *,
    node: str = MAIN,
    accept_loss: bool = False,
) -> About:
    """Put a backup where there is no database; return what it was. `node` writes that down.

    Checkpoints that are there already are put aside, never overwritten. They show how far the logs
    had come: where that is further than the backup, entries are lost, and `accept_loss` must say
    so.

    Raises:
        StoreError: a database is there, the backup is not whole, or entries would be lost.
    """
    _refuse_used(url)
    with _opened(source) as archive:
        about = _about(archive, source)
        lost = _signed_beyond(checkpoints, about)
        if lost and not accept_loss:
            raise StoreError(
                f"{lost} entries of the audit log were signed after this backup was made; "
                "what they tell of is not in it. Look for a newer backup, or say --accept-loss"
            )
        try:
            _put_back(archive, about, url, checkpoints, progress)
        except OSError as error:
            raise StoreError(f"the backup could not be put back: {error}") from error
    with Store.open(url, checkpoints=checkpoints, node=node) as store:
        detail = {"made": about.made.isoformat(), "entries": about.audit_entries, "lost": lost}
        store.write(lambda tx: tx.audit("verifier", "was restored from a backup", "backup", detail))
    return about


def _refuse_used(url: str) -> None:
    if url.startswith(SHARED):
        from verifier.store import moving, postgres

        moving.refuse_used(postgres.address(url))
    elif (path := sqlite.path_of(url)).exists():
        raise StoreError(f"{path} exists: move it away before you restore another in its place")


@contextmanager
def _opened(source: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(source) as archive:
            yield archive
    except (OSError, zipfile.BadZipFile, KeyError, RuntimeError) as error:
        raise StoreError(f"{source} is no backup, or is damaged: {error}") from error


def _about(archive: zipfile.ZipFile, source: Path) -> About:
    try:
        return msgspec.json.decode(archive.read(ABOUT), type=About)
    except msgspec.MsgspecError as error:
        raise StoreError(f"{source} does not say what it is: {error}") from error


def _signed_beyond(checkpoints: Path, about: About) -> int:
    """Return how many entries of all logs the checkpoints here know of and the backup does not."""
    beyond = 0
    for notary in Notary.all_in(checkpoints, *about.of_logs):
        last = notary.last()
        beyond += max(0, last.size - about.of_logs.get(notary.node, 0)) if last else 0
    return beyond


def _put_back(
    archive: zipfile.ZipFile, about: About, url: str, checkpoints: Path, progress: Progress
) -> None:
    path = None if url.startswith(SHARED) else sqlite.path_of(url)
    room = path.parent if path else checkpoints.parent
    room.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=room) as folder:
        copy = Path(folder) / DATABASE
        _unpack(archive, about, copy)
        if path is None:
            from verifier.store import moving

            moving.to_server(copy, url, progress)
        _put_signed(archive, about, checkpoints)
        if path is not None:
            copy.rename(path)  # last: it counts from now on


def _unpack(archive: zipfile.ZipFile, about: About, copy: Path) -> None:
    digest = hashlib.sha256()
    descriptor = os.open(copy, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file, archive.open(DATABASE) as stored:
        while data := stored.read(_CHUNK):
            digest.update(data)
            file.write(data)
        file.flush()
        os.fsync(file.fileno())
    if digest.hexdigest() != about.sha256:
        raise StoreError("the database in the backup is not the one it was made with: damaged")


def _put_signed(archive: zipfile.ZipFile, about: About, checkpoints: Path) -> None:
    """Put the checkpoints and keys of a backup in their places, and aside what is there."""
    for kept in (checkpoints, *(notary.key_file for notary in Notary.all_in(checkpoints))):
        if kept.exists():
            kept.rename(kept.with_name(f"{kept.name}.before-{about.sha256[:12]}"))
    for name in archive.namelist():
        place = Path(name)
        if name != place.name or not name.startswith("audit"):
            continue
        if place.suffix == ".key":
            _write_secret(Notary.of_backup(checkpoints, name).key_file, archive.read(name))
        elif place.suffix in _PUBLIC:
            checkpoints.mkdir(parents=True, exist_ok=True)
            (checkpoints / name).write_bytes(archive.read(name))


def _write_secret(path: Path, secret: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(secret)
