"""A whole database as one file, taken while the service runs, and put back.

The file is a zip of a consistent copy of the database, the signed checkpoints as they were just
before it, the key they are signed with, and a page of what it is. It holds patient data and a
secret: keep it as such.
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
from verifier.store.checkpoint import NOTES, PUBLIC, Notary
from verifier.store.store import SHARED, Store
from verifier.store.verify import Report

ABOUT, DATABASE, KEY = "about.json", "verifier.db", "audit.key"
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


def back_up(url: str, checkpoints: Path, target: Path, now: datetime, progress: Progress) -> About:
    """Write a backup of a database that may be in use; `progress` gets pages done and in all.

    The copy is checked before it counts: its structure, and its audit log against the checkpoints.

    Raises:
        StoreError: the target exists, there is no room, or the copy is not whole.
    """
    if target.exists():
        raise StoreError(f"{target} exists already and is not overwritten")
    if url.startswith(SHARED):
        raise StoreError(
            "a PostgreSQL database is backed up with its own tools, such as pg_dump; "
            "copy the checkpoints folder and the keys beside it before each"
        )
    notary = Notary(checkpoints)
    signed = {name: _bytes(checkpoints / name) for name in (NOTES, PUBLIC)}  # never newer than ...
    secret = _bytes(notary.key_file)
    try:
        with tempfile.TemporaryDirectory(dir=target.resolve().parent) as folder:
            copy = Path(folder) / DATABASE
            _copy(sqlite.path_of(url), copy, progress)  # ... the copy
            about = _described(copy, _checked(copy, checkpoints, notary), now)
            whole = Path(folder) / "whole"
            descriptor = os.open(whole, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "wb") as file:
                with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                    archive.writestr(ABOUT, msgspec.json.format(msgspec.json.encode(about)))
                    archive.write(copy, DATABASE)
                    for name, data in {**signed, KEY: secret}.items():
                        if data:
                            archive.writestr(name, data)
                file.flush()
                os.fsync(file.fileno())
            os.link(whole, target)  # complete or not there, and never over another file
    except (OSError, sqlite3.Error) as error:
        raise StoreError(f"the backup {target} could not be written: {error}") from error
    return about


def _bytes(path: Path) -> bytes:
    return path.read_bytes() if path.exists() else b""


def _copy(source: Path, target: Path, progress: Progress) -> None:
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


def _checked(copy: Path, checkpoints: Path, notary: Notary) -> Report:
    connection = sqlite3.connect(copy)
    try:
        (said,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    finally:
        connection.close()
    if said != "ok":
        raise StoreError(f"the copy is damaged: {said}")
    with Store.open(f"{sqlite.PREFIX}{copy}", checkpoints=checkpoints, writable=False) as store:
        report = store.verify_audit(notary.notes(), notary.public_key())
    if notary.notes() and report.findings:
        raise StoreError(
            f"the audit log of this database does not verify: {report.findings[0]}. "
            "Run `verifier audit verify` before you rely on a backup of it."
        )
    return report


def _described(copy: Path, report: Report, now: datetime) -> About:
    connection = sqlite3.connect(copy)
    try:
        schema = migrate.revision(connection) or ""
    finally:
        connection.close()
    with copy.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return About(now, __version__, schema, copy.stat().st_size, digest, report.entries)


def restore(source: Path, url: str, checkpoints: Path, *, accept_loss: bool = False) -> About:
    """Put a backup where there is no database; return what it was.

    Checkpoints that are there already are put aside, never overwritten. They show how far the log
    had come: where that is further than the backup, entries are lost, and `accept_loss` must say
    so.

    Raises:
        StoreError: a database is there, the backup is not whole, or entries would be lost.
    """
    path = sqlite.path_of(url)
    if path.exists():
        raise StoreError(f"{path} exists: move it away before you restore another in its place")
    with _opened(source) as archive:
        about = _about(archive, source)
        lost = _signed_beyond(checkpoints, about)
        if lost and not accept_loss:
            raise StoreError(
                f"{lost} entries of the audit log were signed after this backup was made; "
                "what they tell of is not in it. Look for a newer backup, or say --accept-loss"
            )
        try:
            _put_back(archive, about, path, checkpoints)
        except OSError as error:
            raise StoreError(f"the backup could not be put to {path}: {error}") from error
    with Store.open(url, checkpoints=checkpoints) as store:
        detail = {"made": about.made.isoformat(), "entries": about.audit_entries, "lost": lost}
        store.write(lambda tx: tx.audit("verifier", "was restored from a backup", "backup", detail))
    return about


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
    last = Notary(checkpoints).last()
    return max(0, last.size - about.audit_entries) if last else 0


def _put_back(archive: zipfile.ZipFile, about: About, path: Path, checkpoints: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        copy = Path(folder) / DATABASE
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
        notary = Notary(checkpoints)
        for kept in (checkpoints, notary.key_file):
            if kept.exists():
                kept.rename(kept.with_name(f"{kept.name}.before-{about.sha256[:12]}"))
        for name in (NOTES, PUBLIC):
            if name in archive.namelist():
                checkpoints.mkdir(parents=True, exist_ok=True)
                (checkpoints / name).write_bytes(archive.read(name))
        if KEY in archive.namelist():
            descriptor = os.open(notary.key_file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "wb") as file:
                file.write(archive.read(KEY))
        copy.rename(path)
