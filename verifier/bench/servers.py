"""Start the listeners that are measured, each as a process of its own, and stop them."""

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

CONFIGURATION = """\
rules = {rules}
database = "{database}"
checkpoints = "checkpoints"

[connections.bench]
port = {port}
destinations = ["nobody"]
specimens = {{ SER = "serum" }}

[destinations.nobody]
port = {nobody}

[web]
port = {web}

[quality]
without_state = "assume in control"
"""
STARTS_WITHIN = 90.0  # seconds
OWN = "sqlite:///bench.db"


def free_port() -> int:
    """Return a loopback port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def write_configuration(folder: Path, rules: Path, database: str = OWN) -> tuple[Path, int]:
    """Write a configuration for `verifier serve` and return it with its MLLP port."""
    port = free_port()
    path = folder / "verifier.toml"
    text = CONFIGURATION.format(
        rules=f'"{rules}"', database=database, port=port, web=free_port(), nobody=free_port()
    )
    path.write_text(text, encoding="utf-8")
    return path, port


def _wait_for(port: int, process: subprocess.Popen[str]) -> None:
    deadline = time.monotonic() + STARTS_WITHIN
    while time.monotonic() < deadline and process.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.01)
        else:
            return
    raise AssertionError(f"nothing listens on port {port}")


@contextmanager
def _running(command: list[str]) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(  # noqa: S603 - our own module
        [sys.executable, "-m", *command],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(timeout=30)


@dataclass(frozen=True, slots=True)
class Server:
    """A running service: its MLLP port, and how many seconds it took to listen."""

    port: int
    started: float
    process: int

    @property
    def memory(self) -> float:
        """Return the most memory it held so far, in MB; 0 where the system does not say."""
        try:
            status = Path(f"/proc/{self.process}/status").read_text(encoding="ascii")
        except OSError:
            return 0.0
        return next(int(line.split()[1]) for line in status.splitlines() if "VmHWM" in line) / 1024


@contextmanager
def ours(folder: Path, rules: Path, database: str = OWN) -> Iterator[Server]:
    """Run `verifier serve` in `folder`, on what its database holds."""
    path, port = write_configuration(folder, rules, database)
    began = time.monotonic()
    with _running(["verifier", "serve", "--config", str(path)]) as process:
        _wait_for(port, process)
        yield Server(port, time.monotonic() - began, process.pid)


@contextmanager
def baseline(folder: Path) -> Iterator[int]:
    """Run the hl7apy baseline on an empty database in `folder`; yields its port."""
    with _running(["verifier.bench.baseline", str(folder / "baseline.db")]) as process:
        assert process.stdout is not None, "started with a pipe"
        port = int(process.stdout.readline())
        _wait_for(port, process)
        yield port
