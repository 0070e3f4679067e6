"""A listener on a real store and a real socket, in this process."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from service.laboratory import CONFIGURATION, RULES, eventually
from verifier import clock, settings
from verifier.language import check
from verifier.service.line import Line
from verifier.service.listener import Listener
from verifier.store.rows import Problem
from verifier.store.store import Store


class Door:
    """A listener on a real store, with its event loop on a thread of its own."""

    def __init__(self, folder: Path, store: Store, **narrow: Any) -> None:
        path = folder / "verifier.toml"
        ports = {"chem": 0, "second": 0, "lis": 3, "web": 0, "held": "withhold"}
        path.write_text(CONFIGURATION.format(**ports, answer_seconds=1))
        loaded = settings.load(path)
        program = check({"test.rules": RULES}).program
        assert program
        connection = loaded.connections["chem"].model_copy(update=narrow)
        loaded = loaded.model_copy(
            update={"connections": {**loaded.connections, "chem": connection}}
        )
        self.store, self.line = store, Line(loaded, program)
        self.listener = Listener("chem", connection, self.line, store, clock.now)
        self.loop = asyncio.new_event_loop()
        self.port = 0

    def run(self) -> None:
        self.port = self.loop.run_until_complete(self.listener.start())
        threading.Thread(target=self.loop.run_forever).start()

    def stop(self) -> None:
        asyncio.run_coroutine_threadsafe(self.listener.stop(), self.loop).result(30)
        self.loop.call_soon_threadsafe(self.loop.stop)
        eventually(lambda: not self.loop.is_running())
        self.loop.close()

    def problems(self) -> list[Problem]:
        return self.store.read(lambda reader: reader.problems())

    def kept(self) -> list[bytes]:
        """The bytes of every problem, oldest first."""
        ids = [problem.message_id for problem in reversed(self.problems())]
        return self.store.read(lambda reader: [reader.raw(number) for number in ids])


@contextmanager
def opened(folder: Path, store: Store, **narrow: Any) -> Iterator[Door]:
    """A running door; `narrow` are settings of its connection."""
    door = Door(folder, store, **narrow)
    door.run()
    try:
        yield door
    finally:
        door.stop()
