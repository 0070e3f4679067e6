"""Long work beside the line: other threads run more often while it lasts.

Taking a message waits for the interpreter some thirty times, and each time for as long as one
thread may keep it: 5 ms by default, which would add up.
"""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_SHORTER = 20  # times
_lock = threading.Lock()
_inside = 0
_usual = 0.0


@contextmanager
def giving_way() -> Iterator[None]:
    """Let other threads run more often meanwhile; several may work like this at once."""
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _inside, _usual
    with _lock:
        if _inside == 0:
            _usual = sys.getswitchinterval()
            sys.setswitchinterval(_usual / _SHORTER)
        _inside += 1


def _leave() -> None:
    global _inside
    with _lock:
        _inside -= 1
        if _inside == 0:
            sys.setswitchinterval(_usual)
