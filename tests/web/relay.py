"""A wire between a browser and a page that a test can cut, mend and make slow."""

import contextlib
import socket
import threading
import time
from types import TracebackType
from typing import Self


class Relay:
    """Passes bytes from a port of its own to another; `url` is where a browser goes."""

    def __init__(self, url: str) -> None:
        host, _, port = url.removeprefix("http://").partition(":")
        self._target = (host, int(port))
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        self._open: set[socket.socket] = set()
        self._cut = False
        self.delay = 0.0  # seconds before each piece goes on

    def __enter__(self) -> Self:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listening.close()
        self.cut()

    def cut(self) -> None:
        """End every connection and let none through."""
        self._cut = True
        for one in list(self._open):
            _end(one)

    def mend(self) -> None:
        """Let connections through again."""
        self._cut = False

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                if self._cut:
                    near.close()
                    continue
                far = socket.create_connection(self._target)
                self._open |= {near, far}
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while piece := one.recv(65536):
                time.sleep(self.delay)
                other.sendall(piece)
        for end in (one, other):
            _end(end)
            self._open.discard(end)


def _end(one: socket.socket) -> None:
    with contextlib.suppress(OSError):
        one.shutdown(socket.SHUT_RDWR)
    one.close()
