"""Measures how long the service takes until it listens."""

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from verifier.bench import servers

_LIBRARIES = "import fastapi, uvicorn, pydantic, sqlalchemy, alembic, lark, jinja2, cryptography"


@dataclass(frozen=True, slots=True)
class Starts:
    """Seconds to listening: first, with rules this program checked before, and the baseline."""

    first: float
    again: float
    libraries: float


def measure_start(rules: Path) -> Starts:
    """Start on an empty database, which checks the rules and runs their scenarios, then again.

    The baseline is a Python that imports the libraries and ends.
    """
    began = perf_counter()
    subprocess.run([sys.executable, "-c", _LIBRARIES], check=True)  # noqa: S603 - our own words
    libraries = perf_counter() - began
    with TemporaryDirectory() as name:
        first, again = (_started(Path(name), rules) for _ in range(2))
    return Starts(first, again, libraries)


def _started(folder: Path, rules: Path) -> float:
    with servers.ours(folder, rules) as server:
        return server.started
