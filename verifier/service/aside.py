"""Processes that work beside the service: at low priority, and gone when it is gone."""

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context, parent_process

_NICE = 10


def processes(
    count: int, begin: Callable[..., None] | None = None, *args: object
) -> ProcessPoolExecutor:
    """Return processes, each of which first calls `begin`, a function of some module.

    They are not forked: whoever calls may have threads, and those may hold locks.
    """
    return ProcessPoolExecutor(
        count, mp_context=get_context("spawn"), initializer=_begin, initargs=(begin, args)
    )


def _begin(begin: Callable[..., None] | None, args: tuple[object, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for whoever started us
    threading.Thread(target=_end_with_parent, name="parent-watch", daemon=True).start()
    if hasattr(os, "nice"):
        os.nice(_NICE)
    if begin is not None:
        begin(*args)


def _end_with_parent() -> None:
    """A parent that was killed can not say so, and its children would wait for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
