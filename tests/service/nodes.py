"""Several nodes on one database, the cable between each and the database, and traffic over all."""

import contextlib
import itertools
import re
import signal
import socket
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
from databases import database_url
from sqlalchemy.engine.url import make_url

from service.laboratory import RULES, Laboratory, Sender, eventually, result_message

TESTS = {  # test: LOINC code; all in mmol/L, as that is enough here
    "sodium": "2951-2", "potassium": "2823-3", "chloride": "2075-0", "calcium": "17861-6",
}  # fmt: skip
MORE_RULES = RULES + "".join(
    f'\ntest {test} "{test.title()}"\n  code LOINC {code}\n  in serum\n  unit mmol/L   decimals 1\n'
    "\n"
    f'limits for {test}  from "invented for this test"\n  critical  below 0.1, above 500\n'
    for test, code in TESTS.items()
    if test not in ("sodium", "potassium")
)


class Cable:
    """A TCP relay that can be cut: bytes stop, and nobody is told."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._whole = threading.Event()
        self._whole.set()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        self._whole.clear()

    def mend(self) -> None:
        self._whole.set()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)  # wakes the thread that accepts
        self._thread.join()
        self._server.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            self._whole.wait()
            try:
                far = socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                near.close()
                continue
            threading.Thread(target=self._join, args=(near, far), daemon=True).start()

    def _join(self, near: socket.socket, far: socket.socket) -> None:
        back = threading.Thread(target=self._relay, args=(far, near), daemon=True)
        with near, far:
            back.start()
            self._relay(near, far)
            back.join()

    def _relay(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(65536):
                self._whole.wait()
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)  # wakes the thread that reads it, too


@dataclass
class Node:
    laboratory: Laboratory
    cable: Cable

    @property
    def port(self) -> int:
        return self.laboratory.chem

    def signal(self, number: signal.Signals) -> None:
        assert self.laboratory.process
        self.laboratory.process.send_signal(number)

    def pause(self) -> None:
        self.signal(signal.SIGSTOP)

    def go_on(self) -> None:
        self.signal(signal.SIGCONT)


@contextmanager
def nodes(folder: Path, lis_port: int, names: Sequence[str]) -> Iterator[dict[str, Node]]:
    """Start nodes on one fresh database, all at once, so that they migrate it together."""
    url = make_url(database_url(folder))
    assert url.port
    made: dict[str, Node] = {}
    for name in names:
        cable = Cable(url.port)
        through = url.set(port=cable.port).render_as_string(hide_password=False)
        (folder / name).mkdir()
        laboratory = Laboratory(
            folder / name,
            lis_port,
            node=name,
            database=through,
            rules=MORE_RULES,
            checkpoints=str(folder / "checkpoints"),
        )
        made[name] = Node(laboratory, cable)
    starting = [threading.Thread(target=node.laboratory.start) for node in made.values()]
    for thread in starting:
        thread.start()
    for thread in starting:
        thread.join()
    try:
        yield made
    finally:
        for node in made.values():
            node.cable.mend()
            if node.laboratory.process:
                node.go_on()
                node.laboratory.stop()
            node.cable.close()


def holder(url: str) -> str:
    """The node that may send to the LIS now, "" for none."""
    with psycopg.connect(url) as connection:
        row = connection.execute(
            "SELECT holder FROM lease WHERE name = 'lis' "
            "AND until > extract(epoch FROM clock_timestamp()) * 1000000"
        ).fetchone()
    return str(row[0]).split()[0] if row else ""


def message(control_id: str, specimen: str, test: str) -> bytes:
    value = "140" if test == "sodium" else "4.1"
    raw = result_message(control_id, specimen=specimen, patient=f"P-{specimen}")
    line = f"OBX|1|NM|{TESTS[test]}^{test}^LN||{value}|mmol/L|||||F"
    return re.sub(rb"OBX\|1[^\r]*", line.encode(), raw)


def acknowledged(ports: Iterator[int], raw: bytes) -> bytes:
    """Send to one node after the other until one of them says AA; the answer."""

    def once() -> bytes:
        try:
            with Sender(next(ports)) as sender:
                sender._socket.settimeout(4)
                answer = sender.send(raw)
        except OSError:
            return b""
        return answer if b"MSA|AA|" in answer else b""

    return eventually(once, 90)


@dataclass
class Traffic:
    """Senders that send specimen after specimen, each test of it in a message of its own."""

    ports: Sequence[int]
    senders: int = 3
    acknowledged: dict[str, list[str]] = field(default_factory=dict)
    problems: list[BaseException] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def __enter__(self) -> "Traffic":
        for number in range(self.senders):
            thread = threading.Thread(target=self._send, args=(number,))
            self._threads.append(thread)
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()
        assert not self.problems, (self.problems, self.count)

    @property
    def count(self) -> int:
        return sum(len(tests) for tests in self.acknowledged.values())

    def more(self, messages: int = 12) -> None:
        """Wait until so many more messages are acknowledged."""
        target = self.count + messages
        eventually(lambda: self.problems or self.count >= target, 90)

    def _send(self, number: int) -> None:
        ports = itertools.cycle(self.ports[number % len(self.ports) :] + self.ports)
        try:
            for count in itertools.count():
                specimen = f"S{number}-{count}"
                for test in TESTS:
                    if self._stop.is_set():
                        return
                    acknowledged(ports, message(f"{specimen}-{test}", specimen, test))
                    self.acknowledged.setdefault(specimen, []).append(test)
        except BaseException as error:
            self.problems.append(error)
