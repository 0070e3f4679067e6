"""Tells open pages what changed: one look at the database per change, however many pages watch.

The store rings after each commit; because another process may write as well, a slow look is taken
now and then without a ring. Only the newest state is kept for each page.
"""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from typing import Any

from verifier.errors import StoreError
from verifier.store.store import Store
from verifier.store.transaction import Reader

LOOK_SECONDS = 3.0  # without a ring
REST_SECONDS = 0.5  # between two looks, however often the store rings


class Pulse:
    """Keeps the newest state and wakes whoever waits for it."""

    def __init__(self, store: Store, state: Callable[[Reader], dict[str, Any]]) -> None:
        self._store = store
        self._state = state
        self._watchers: set[asyncio.Event] = set()
        self._rung: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closed = False
        self.newest = ""
        store.on_commit(self._ring)

    @contextlib.asynccontextmanager
    async def beating(self) -> AsyncIterator[None]:
        """Look while the page runs."""
        self._loop, self._rung = asyncio.get_running_loop(), asyncio.Event()
        task = asyncio.create_task(self._beat())
        try:
            yield
        finally:
            self.close()
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            self._loop = None

    def close(self) -> None:
        """End every open stream, so that the server can stop."""
        self._closed = True
        for watcher in self._watchers:
            watcher.set()

    async def watch(self, patience: float) -> AsyncIterator[str]:
        """Yield the state whenever it changes, and an empty text after `patience` seconds."""
        changed = asyncio.Event()
        self._watchers.add(changed)
        try:
            if not self.newest:
                self._wake()
            seen = ""
            while not self._closed:
                if self.newest != seen:
                    seen = self.newest
                    yield seen
                    continue
                try:
                    await asyncio.wait_for(changed.wait(), patience)
                except TimeoutError:
                    yield ""
                changed.clear()
        finally:
            self._watchers.discard(changed)

    def _ring(self, topics: frozenset[str]) -> None:
        loop = self._loop
        if loop is not None and self._watchers:
            with contextlib.suppress(RuntimeError):  # the loop closed between the two lines
                loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        if self._rung is not None:
            self._rung.set()

    async def _beat(self) -> None:
        assert self._rung is not None
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._rung.wait(), LOOK_SECONDS)
            self._rung.clear()
            if self._watchers:
                await self._look()
                await asyncio.sleep(REST_SECONDS)
            else:
                self.newest = ""

    async def _look(self) -> None:
        with contextlib.suppress(StoreError):  # shown by the next page, tried again next time
            state = await asyncio.to_thread(self._store.read, self._said)
            if state != self.newest:
                self.newest = state
                for watcher in self._watchers:
                    watcher.set()

    def _said(self, reader: Reader) -> str:
        return json.dumps(self._state(reader))
