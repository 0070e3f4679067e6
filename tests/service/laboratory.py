"""A small laboratory for tests: rules, configuration, messages, a LIS that can misbehave."""

import re
import select
import socket
import socketserver
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from databases import database_url

START, END = b"\x0b", b"\x1c\r"

# A test must not move when the shipped limits do: these rules are its own.
RULES = """
test sodium "Sodium"
  code LOINC 2951-2
  in serum
  unit mmol/L   decimals 0

test potassium "Potassium"
  code LOINC 2823-3
  in serum
  unit mmol/L   decimals 1

limits for sodium  from "invented for this test"
  critical  below 120, above 158

limits for potassium  from "invented for this test"
  critical  below 2.8, above 6.2

rule critical for every test  from "invented for this test"
  hold when result is critical
  because "{test} {result} is beyond the critical limit {limit}"
"""

CONFIGURATION = """
laboratory = "Test"
rules = "rules"

[connections.chem]
port = {chem}
destinations = ["lis"]
specimens = {{ SER = "serum" }}

[connections.second]
port = {second}
destinations = ["lis"]
specimens = {{ SER = "serum" }}

[destinations.lis]
port = {lis}
answer_seconds = {answer_seconds}
retry_seconds = 0.2
retry_most_seconds = 1
held = "{held}"

[web]
port = {web}

[quality]
without_state = "assume in control"
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def result_message(
    control_id: str,
    *,
    specimen: str = "S1",
    patient: str = "P1",
    results: dict[str, str] | None = None,
    status: str = "F",
    extra: str = "",
) -> bytes:
    """An ORU^R01 of one specimen; `results` maps sodium and potassium to values."""
    codes = {"sodium": "2951-2^Sodium^LN", "potassium": "2823-3^Potassium^LN"}
    values = results or {"sodium": "140"}
    lines = [
        f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|20260105080000+0000||ORU^R01^ORU_R01|{control_id}|P|2.5.1",
        f"PID|1||{patient}^^^LAB^MR||Test^Patient||19700101|F",
        f"OBR|1|{specimen}|{specimen}|BMP^Panel^L|||20260105070000+0000",
        *(
            f"OBX|{n}|NM|{codes[test]}||{value}|mmol/L|||||{status}"
            for n, (test, value) in enumerate(values.items(), 1)
        ),
        f"SPM|1|{specimen}||SER^Serum^HL70487|||||||P|||||20260105070000+0000",
    ]
    return ("\r".join(lines) + "\r" + extra).encode()


def ack_for(message: bytes, code: str = "AA", control_id: str | None = None) -> bytes:
    found = re.search(rb"MSH\|[^\r]*", message)
    assert found, message
    theirs = found[0].split(b"|")[9].decode() if control_id is None else control_id
    return f"MSH|^~\\&|LIS|||||2026||ACK|L1|P|2.5.1\rMSA|{code}|{theirs}\r".encode()


def control_id_of(message: bytes) -> str:
    return message.split(b"\r")[0].split(b"|")[9].decode()


Behaviour = Callable[[int, bytes], bytes | None]


@dataclass
class Lis:
    """A real MLLP receiver on a thread. `behave(n, message)` gives the answer to the n-th message
    (None: no answer); what arrived is in `received`, in order."""

    behave: Behaviour = lambda n, message: ack_for(message)
    port: int = 0
    received: list[bytes] = field(default_factory=list)
    _server: Any = None

    def __enter__(self) -> "Lis":
        lis = self

        class Handler(socketserver.BaseRequestHandler):
            def handle(self) -> None:
                buffer = b""
                while chunk := self.request.recv(65536):
                    buffer += chunk
                    while END in buffer:
                        block, buffer = buffer.split(END, 1)
                        message = block.lstrip(START)
                        lis.received.append(message)
                        answer = lis.behave(len(lis.received), message)
                        if answer is not None:
                            self.request.sendall(START + answer + END)

        class Server(socketserver.ThreadingTCPServer):
            allow_reuse_address = True
            daemon_threads = True

            def handle_error(self, request: Any, client_address: Any) -> None:
                """A peer that was killed is no error of the LIS."""

        self._server = Server(("127.0.0.1", self.port), Handler)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()


class Sender:
    """One plain-socket MLLP connection."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=20)
        self._buffer = b""

    def send(self, message: bytes) -> bytes:
        self.write(START + message + END)
        return self.answer()

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)

    def answer(self) -> bytes:
        while END not in self._buffer:
            chunk = self._socket.recv(65536)
            if not chunk:
                raise ConnectionError("closed without an answer")
            self._buffer += chunk
        block, self._buffer = self._buffer.split(END, 1)
        return block.lstrip(START)

    def nothing_comes(self, seconds: float) -> bool:
        return not self._buffer and not select.select([self._socket], [], [], seconds)[0]

    def close(self) -> None:
        self._socket.close()

    def __enter__(self) -> "Sender":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass
class Laboratory:
    """A folder with rules and configuration, and the service running as a second process."""

    folder: Path
    lis_port: int
    held: str = "withhold"
    answer_seconds: float = 2
    node: str = "main"
    database: str = ""
    rules: str = RULES
    checkpoints: str = "checkpoints"
    chem: int = field(default_factory=free_port)
    second: int = field(default_factory=free_port)
    web: int = field(default_factory=free_port)
    process: subprocess.Popen[str] | None = None
    told: str = ""

    def __post_init__(self) -> None:
        (self.folder / "rules").mkdir(exist_ok=True)
        (self.folder / "rules" / "test.rules").write_text(self.rules)
        text = CONFIGURATION.format(
            chem=self.chem, second=self.second, lis=self.lis_port, web=self.web,
            held=self.held, answer_seconds=self.answer_seconds,
        )  # fmt: skip
        database = self.database or database_url(self.folder)
        self.config.write_text(
            f'database = "{database}"\nnode = "{self.node}"\n'
            f'checkpoints = "{self.checkpoints}"\n{text}'
        )

    @property
    def config(self) -> Path:
        return self.folder / "verifier.toml"

    def start(self) -> None:
        log = (self.folder / "service.log").open("a")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "verifier", "serve", "--config", str(self.config)],
            stdout=subprocess.PIPE, stderr=log, text=True,
        )  # fmt: skip
        log.close()
        assert self.process.stdout
        self.told = ""
        for line in self.process.stdout:
            self.told += line
            if line.strip() == "ready":
                return
        self._gone()
        raise AssertionError((self.folder / "service.log").read_text())

    def kill(self) -> None:
        assert self.process
        self.process.kill()
        self._gone()

    def stop(self) -> None:
        assert self.process
        self.process.terminate()
        self._gone()

    def _gone(self) -> None:
        assert self.process
        assert self.process.stdout
        self.process.wait(timeout=30)
        self.process.stdout.close()
        self.process = None

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "verifier", *words, "--config", str(self.config)],
            capture_output=True, text=True, timeout=60,
        )  # fmt: skip


@contextmanager
def running(folder: Path, lis_port: int, **options: Any) -> Iterator[Laboratory]:
    laboratory = Laboratory(folder, lis_port, **options)
    laboratory.start()
    try:
        yield laboratory
    finally:
        if laboratory.process:
            laboratory.stop()


def eventually(check: Callable[[], object], seconds: float = 15) -> Any:
    """Wait for something that another process does; the last answer of `check`, which is true."""
    deadline = time.monotonic() + seconds
    while True:
        value = check()
        if value:
            return value
        assert time.monotonic() < deadline, f"did not come true within {seconds} s: {value!r}"
        time.sleep(0.02)
