"""Hears what other nodes touched. A doorbell only: whoever waits looks now and then without it."""

import logging
import threading
from collections.abc import Callable

import psycopg
from sqlalchemy.engine.url import URL

from verifier.errors import StoreError
from verifier.store import postgres

log = logging.getLogger(__name__)

PAUSE = 1.0  # seconds before the connection is tried again


class Bells:
    """A thread that listens on a connection of its own."""

    def __init__(self, url: URL, own: str, ring: Callable[[frozenset[str]], None]) -> None:
        self._url, self._own, self._ring = url, own, ring
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._loop, name="store-bells", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening."""
        self._stopping.set()
        self._thread.join()

    def _loop(self) -> None:
        while not self._stopping.is_set():
            try:
                self._listen()
            except (psycopg.Error, StoreError) as error:
                log.info("bells: %s", postgres.told(error))
                self._stopping.wait(PAUSE)

    def _listen(self) -> None:
        with postgres.connect(self._url, "verifier bells") as connection:
            connection.execute(f"LISTEN {postgres.BELL}".encode())
            while not self._stopping.is_set():
                for heard in connection.notifies(timeout=0.5):
                    who, *topics = heard.payload.split()
                    if who != self._own:
                        self._ring(frozenset(topics))
