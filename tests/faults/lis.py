"""LIS that break the protocol below the level of messages: real sockets, one talk on each."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from service.laboratory import END, START, ack_for

Talk = Callable[["RawLis", int, socket.socket], None]


@dataclass
class RawLis:
    """Listens; `talk(lis, n, connection)` is all that happens on the n-th connection. Whole
    messages are in `received`."""

    talk: Talk
    place: Callable[[], socket.socket] = lambda: socket.create_server(("127.0.0.1", 0))
    port: int = 0
    received: list[bytes] = field(default_factory=list)
    connections: int = 0

    def __enter__(self) -> "RawLis":
        self._server = self.place()
        self.port = int(self._server.getsockname()[1])
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)  # wakes the thread that accepts
        self._thread.join()
        self._server.close()

    def take(self, connection: socket.socket, buffer: bytearray) -> bytes:
        """Return the next whole message, noted as received; empty when the service closed."""
        searched = 0
        while buffer.find(END, searched) < 0:
            searched = max(len(buffer) - 1, 0)
            data = connection.recv(1 << 20)
            if not data:
                return b""
            buffer += data
        message, _, rest = bytes(buffer).partition(END)
        buffer[:] = rest
        self.received.append(message.lstrip(START))
        return self.received[-1]

    def behave_well(self, connection: socket.socket) -> None:
        buffer = bytearray()
        while message := self.take(connection, buffer):
            connection.sendall(START + ack_for(message) + END)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            self.connections += 1
            threading.Thread(
                target=self._talk, args=(self.connections, connection), daemon=True
            ).start()

    def _talk(self, number: int, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError):
            self.talk(self, number, connection)


def closes_at(first: int, step: int, most: int) -> Talk:
    """Close after so many bytes, read or answered, `step` more on each connection, up to `most`."""

    def talk(lis: RawLis, number: int, connection: socket.socket) -> None:
        left = first + (number - 1) * step
        if left > most:
            lis.behave_well(connection)
            return
        buffer = bytearray()
        while left and END not in buffer:
            data = connection.recv(min(left, 65536))
            buffer += data
            left -= len(data)
            if not data:
                return
        if END in buffer:
            message = bytes(buffer).split(END)[0].lstrip(START)
            lis.received.append(message)
            connection.sendall((START + ack_for(message) + END)[:left])

    return talk


def answers_twice(code: str) -> Talk:
    """Take each message, and say a moment later once more, with this code, that it did."""

    def talk(lis: RawLis, number: int, connection: socket.socket) -> None:
        buffer = bytearray()
        while message := lis.take(connection, buffer):
            connection.sendall(START + ack_for(message) + END)
            time.sleep(0.02)
            connection.sendall(START + ack_for(message, code) + END)

    return talk


def slow_reader(slow: int, seconds: float) -> Talk:
    """Read a few bytes at a time on the first `slow` connections and never come to an end."""

    def talk(lis: RawLis, number: int, connection: socket.socket) -> None:
        if number > slow:
            lis.behave_well(connection)
            return
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        until = time.monotonic() + seconds
        while time.monotonic() < until and connection.recv(256):
            time.sleep(0.05)
        time.sleep(max(0.0, until - time.monotonic()))

    return talk
