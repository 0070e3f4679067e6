"""A second machine on a cable that can be cut: a network namespace of this one, by root alone."""

import ctypes
import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

CLONE_NEWNET = 0x40000000
HERE, THERE = "10.231.77.1", "10.231.77.2"
T = TypeVar("T")


def can_be_laid() -> bool:
    """Whether this user may make network namespaces."""
    if os.getuid() != 0 or shutil.which("ip") is None:
        return False
    return subprocess.run(["unshare", "-n", "true"], capture_output=True).returncode == 0


@dataclass
class Cable:
    """The far machine is THERE, this one is HERE."""

    name: str

    def cut(self) -> None:
        """Let packets vanish; nobody is told."""
        _ip("-n", self.name, "link", "set", "far", "down")

    def mend(self) -> None:
        _ip("-n", self.name, "link", "set", "far", "up")

    def there(self, work: Callable[[], T]) -> T:
        """Do something on the far machine: a socket opened by it stays there."""
        done: list[T] = []

        def inside() -> None:
            libc = ctypes.CDLL(None, use_errno=True)
            with Path(f"/run/netns/{self.name}").open() as place:
                assert libc.setns(place.fileno(), CLONE_NEWNET) == 0, ctypes.get_errno()
            done.append(work())

        thread = threading.Thread(target=inside)
        thread.start()
        thread.join()
        return done[0]

    def connect(self, port: int) -> socket.socket:
        return self.there(lambda: socket.create_connection((HERE, port), timeout=20))


@contextmanager
def cable() -> Iterator[Cable]:
    name, near = f"verifier{os.getpid()}", f"near{os.getpid()}"
    _ip("netns", "add", name)
    try:
        _ip("link", "add", near, "type", "veth", "peer", "name", "far", "netns", name)
        _ip("addr", "add", f"{HERE}/30", "dev", near)
        _ip("link", "set", near, "up")
        _ip("-n", name, "addr", "add", f"{THERE}/30", "dev", "far")
        _ip("-n", name, "link", "set", "far", "up")
        yield Cable(name)
    finally:
        _ip("netns", "del", name)  # the cable goes with it


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)
