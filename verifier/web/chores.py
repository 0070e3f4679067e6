"""Work that takes longer than a page may: one thing at a time, in a thread, with its progress."""

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from verifier.errors import VerifierError
from verifier.service.failures import named
from verifier.service.givingway import giving_way
from verifier.texts import mark

log = logging.getLogger(__name__)
_MOST_KEPT = 20  # of the newest

Tell = Callable[[int, int], None]


class StoppingError(VerifierError):
    """The page closes while something is being done."""


class Chore:
    """One piece of work: how far it is, and in the end what it gave or why it failed."""

    def __init__(self, closing: threading.Event) -> None:
        self._closing = closing
        self.done = self.of = 0
        self.running = True
        self.result: Any = None
        self.failure = ""

    def tell(self, done: int, of: int) -> None:
        """Note how far it is. Raises StoppingError when it is to break off."""
        self.done, self.of = done, of
        if self._closing.is_set():
            raise StoppingError(mark("It was broken off: the service stopped."))


class Chores:
    """What is being done and was done lately, by what it is about. For all pages of a process."""

    def __init__(self) -> None:
        self._known: OrderedDict[tuple[str, object], Chore] = OrderedDict()
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="chore")

    def get(self, what: str, about: object) -> Chore | None:
        """Return the newest work of a kind about something."""
        with self._lock:
            return self._known.get((what, about))

    def close(self) -> None:
        """Break off what is being done, so that the process can end."""
        self._closing.set()
        self._worker.shutdown(wait=False, cancel_futures=True)

    def start(self, what: str, about: object, work: Callable[[Tell], Any]) -> None:
        """Do it, unless it is being done already."""
        with self._lock:
            before = self._known.get((what, about))
            if before and before.running:
                return
            chore = self._known[what, about] = Chore(self._closing)
            self._known.move_to_end((what, about))
            while len(self._known) > _MOST_KEPT:
                self._known.popitem(last=False)
        self._worker.submit(_do, chore, work)


def _do(chore: Chore, work: Callable[[Tell], Any]) -> None:
    try:
        with giving_way():
            chore.result = work(chore.tell)
    except VerifierError as error:
        chore.failure = str(error)
    except Exception as error:  # a defect of ours: the page must not wait for ever
        log.exception("work for the page failed")
        chore.failure = f"It failed: {named(error)}."
    finally:
        chore.running = False
