"""The service in a process forked from one that has loaded the program already.

A start then costs a fifth of what loading Python and the libraries costs, so that a thousand
of them can be afforded. The process is a whole one of its own and is killed for real.
"""

import os
import secrets
import sys
import time
from datetime import datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from types import SimpleNamespace

import verifier.clock
import verifier.service.supervisor
import verifier.store.ids
import verifier.web.app  # loaded here, before any fork
from faults.steps import die_at
from verifier.cli import main
from verifier.store.ids import IDS


def set_clock_by(file: Path) -> None:
    """Let the time of day be off by the seconds that stand in a file, whenever it is read. Clocks
    that only run stay as they are, as they do when somebody sets the time of a machine."""

    def off() -> float:
        return float(file.read_text()) if file.exists() else 0.0

    verifier.clock.datetime = SimpleNamespace(
        now=lambda zone: datetime.now(zone) + timedelta(seconds=off())
    )
    verifier.store.ids.time = SimpleNamespace(
        time_ns=lambda: time.time_ns() + int(off() * 1_000_000_000)
    )


def serve(config: str, log: str, told: Connection, step: str, nth: int) -> None:
    """Run `verifier serve`; with a step, die there by SIGKILL when it is taken the nth time."""
    os.dup2(told.fileno(), 1)
    with open(log, "ab") as file:
        os.dup2(file.fileno(), 2)
    IDS.become(secrets.randbelow(1 << 10))  # drawn when the program was loaded, before the fork
    set_clock_by(Path(config).with_name("clock"))
    if step:
        die_at(step, nth)
    sys.exit(main(["serve", "--config", config]))
