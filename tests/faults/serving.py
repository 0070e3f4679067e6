"""The service in a process forked from one that has loaded the program already.

A start then costs a fifth of what loading Python and the libraries costs, so that a thousand
of them can be afforded. The process is a whole one of its own and is killed for real.
"""

import os
import secrets
import sys
from multiprocessing.connection import Connection

import verifier.service.supervisor
import verifier.web.app  # noqa: F401  # loaded here, before any fork
from faults.steps import die_at
from verifier.cli import main
from verifier.store.ids import IDS


def serve(config: str, log: str, told: Connection, step: str, nth: int) -> None:
    """Run `verifier serve`; with a step, die there by SIGKILL when it is taken the nth time."""
    os.dup2(told.fileno(), 1)
    with open(log, "ab") as file:
        os.dup2(file.fileno(), 2)
    IDS.become(secrets.randbelow(1 << 10))  # drawn when the program was loaded, before the fork
    if step:
        die_at(step, nth)
    sys.exit(main(["serve", "--config", config]))
