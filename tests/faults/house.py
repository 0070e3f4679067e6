"""The laboratory under fault: its service started from a prepared process, senders, and the end."""

import itertools
import multiprocessing
import os
import random
import signal
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import forkserver
from pathlib import Path
from typing import Any

from databases import database_url
from service.laboratory import Behaviour, Laboratory, Lis, Sender, ack_for, eventually

from faults.model import Books, Sent, judge
from faults.serving import serve
from verifier.store.store import Store

_context = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload(["faults.serving"])
RETRY = {"retry_seconds = 0.2": "retry_seconds = 0.05"}


def _ready_to_fork() -> None:
    """Start the prepared process with the same places to load from as this one has."""
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, sys.path))
    try:
        forkserver.ensure_running()
    finally:
        if before is None:
            del os.environ["PYTHONPATH"]
        else:
            os.environ["PYTHONPATH"] = before


@dataclass
class House(Laboratory):
    """A laboratory whose service dies at a named step if told so. `settings`: texts of the
    configuration to replace."""

    settings: Mapping[str, str] = field(default_factory=dict)
    child: Any = None
    _heard: int = -1

    def __post_init__(self) -> None:
        super().__post_init__()
        text = self.config.read_text()
        for old, new in {**RETRY, **self.settings}.items():
            assert old in text, old
            text = text.replace(old, new)
        self.config.write_text(text)

    @property
    def pid(self) -> int:
        return int(self.child.pid)

    def start(self, step: str = "", nth: int = 1) -> bool:
        """Start; False when it died before it was ready, which is a failure without a step."""
        _ready_to_fork()
        heard, told = _context.Pipe(duplex=False)
        log = str(self.folder / "service.log")
        words = (str(self.config), log, told, step, nth)
        self.child = _context.Process(target=serve, args=words, daemon=True)
        self.child.start()
        told.close()
        self.told = ""
        with os.fdopen(os.dup(heard.fileno()), encoding="utf-8") as lines:
            heard.close()
            for line in lines:
                self.told += line
                if line.strip() == "ready":
                    self._heard = os.dup(
                        lines.fileno()
                    )  # what it says later must have somewhere to go
                    return True
        self.child.join()
        if not step:
            raise AssertionError((self.folder / "service.log").read_text())
        return False

    def died(self) -> bool:
        """Whether the service is gone by SIGKILL."""
        return self.child.exitcode == -signal.SIGKILL

    def signal(self, number: int) -> None:
        os.kill(self.pid, number)

    def set_clock(self, seconds: float) -> None:
        """Let the service's time of day be off by so much from now on."""
        new = self.folder / "clock.new"
        new.write_text(str(seconds))
        new.replace(self.folder / "clock")

    def kill(self) -> None:
        self.child.kill()
        self.child.join(30)
        self.forget()

    def stop(self) -> None:
        self.child.terminate()
        self.child.join(60)
        assert self.child.exitcode == 0, (self.folder / "service.log").read_text()
        self.forget()

    def forget(self) -> None:
        """Let go of a service that is gone."""
        self.child.join(30)
        self.child.close()
        self.child = None
        if self._heard >= 0:
            os.close(self._heard)
            self._heard = -1


class Analyzer(threading.Thread):
    """Sends specimen after specimen; every message until it is acknowledged, some once more. With
    several ports it goes to the next one when it got no answer."""

    def __init__(self, name: str, books: Books, *ports: int, patience: float = 20) -> None:
        super().__init__(name=name, daemon=True)
        self._ports, self._books, self._patience = itertools.cycle(ports), books, patience
        self._port = next(self._ports)
        self._random = random.Random(name)
        self.broken_off = 0  # how often a message was on its way and no answer came
        self.done = threading.Event()

    def run(self) -> None:
        number = 0
        while not self.done.is_set():
            number += 1
            self._specimen(f"SP-{self.name}{number}")

    def _specimen(self, specimen: str) -> None:
        """Two results, one of them critical at times, and what became of the first."""
        self._books.ordered.add(specimen)
        steps = [
            ("sodium", "140", "F"),
            ("potassium", self._random.choice(("4.1", "4.2", "6.9")), "F"),
            ("sodium", "141", self._random.choice("CW")),
        ]
        for count, step in enumerate(steps):
            sent = self._books.write(f"{specimen}-{count}", specimen, *step)
            while not sent.acknowledged:
                if self.done.is_set():
                    return
                self._once(sent)
            if self._random.random() < 0.2:
                self._once(sent)

    def _once(self, sent: Sent) -> None:
        try:
            sender = Sender(self._port)
        except OSError:  # nobody listens
            self._port = next(self._ports)
            self.done.wait(0.02)
            return
        with sender:
            sender._socket.settimeout(self._patience)
            try:
                sent.answers.append(sender.send(sent.raw))
            except OSError:
                self.broken_off += 1
                self._port = next(self._ports)


@contextmanager
def traffic(house: House, books: Books, *ports: int) -> Iterator[list[Analyzer]]:
    """Let analyzers send until left, one on each port; without ports, on both connections."""
    ports = ports or (house.chem, house.second)
    analyzers = [Analyzer(name, books, port) for name, port in zip("AB", ports, strict=False)]
    with sending(analyzers):
        yield analyzers


@contextmanager
def sending(analyzers: Sequence[Analyzer]) -> Iterator[None]:
    for analyzer in analyzers:
        analyzer.start()
    try:
        yield
    finally:
        for analyzer in analyzers:
            analyzer.done.set()
        for analyzer in analyzers:
            analyzer.join()


def balance(house: House, books: Books, lis: Lis, seconds: float = 120) -> None:
    """Wait until nothing is to be sent any more, then judge; the service must be running."""
    url = database_url(house.folder)
    with Store.open(url, checkpoints=house.folder / "checkpoints", writable=False) as store:
        eventually(lambda: not store.read(lambda r: r.outbox("lis")), seconds)
        problems = store.read(lambda r: judge(r, books, list(lis.received)))
        house.stop()
        problems += store.verify_audit().findings
    assert not problems, "\n".join(problems[:30])


@contextmanager
def house_and_lis(folder: Path, behave: Behaviour | None = None, **options: Any) -> Iterator[Any]:
    """A house with its LIS; the service is started by whoever asks."""
    with Lis(behave or (lambda n, message: ack_for(message))) as lis:
        house = House(folder, lis.port, **options)
        try:
            yield house, lis
        finally:
            if house.child is not None:
                house.kill()


def wait_for_death(house: House, seconds: float = 60) -> bool:
    """Whether the service died within so many seconds."""
    until = time.monotonic() + seconds
    while house.child.exitcode is None and time.monotonic() < until:
        time.sleep(0.01)
    return house.died()
