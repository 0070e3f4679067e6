"""What may be logged: types and places of errors, never their texts, which may quote a patient.

Our own lines are written with care; this catches what others would write: tracebacks of the web
server, of threads, of tasks nobody waited for, and of a defect that ends the service.
"""

import asyncio
import logging
import sys
import threading
import traceback
from types import TracebackType
from typing import Any

from verifier.service.failures import named

log = logging.getLogger(__name__)

SAID_AGAIN_AFTER = 10.0  # seconds

Caught = tuple[type[BaseException], BaseException, TracebackType | None] | tuple[None, None, None]


class PlainFormatter(logging.Formatter):
    """Writes errors with the way they took through the code and without what they say."""

    def formatException(self, ei: Caught) -> str:  # noqa: N802  # the name of the library
        """Return types and places, causes first."""
        return "" if ei[1] is None else "\n".join(_lines(ei[1]))


def _lines(error: BaseException, depth: int = 0) -> list[str]:
    before = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    lines = _lines(before, depth + 1) if before is not None and depth < 10 else []
    frames = traceback.extract_tb(error.__traceback__)
    places = [f"  {frame.filename}:{frame.lineno} in {frame.name}" for frame in frames]
    inside = [line for part in getattr(error, "exceptions", ()) for line in _lines(part, depth + 1)]
    return [*lines, *inside, type(error).__name__, *places]


def set_up(*, verbose: bool) -> None:
    """Log to standard error: warnings, with `verbose` more; also what ends threads or us."""
    handler = logging.StreamHandler()
    handler.setFormatter(PlainFormatter("%(asctime)s %(levelname)s %(name)s %(message)s"))
    logging.basicConfig(level=logging.INFO if verbose else logging.WARNING, handlers=[handler])
    sys.excepthook = _ended
    threading.excepthook = _thread_ended
    sys.unraisablehook = _not_raised


def watch(loop: asyncio.AbstractEventLoop) -> None:
    """Log what went wrong in a task or callback nobody waits for.

    The same is said once in a while: a loop that can accept nobody, as no file can be opened any
    more, fails a hundred times a second, and must not fill the disk as well.
    """
    said: dict[str, float] = {}

    def failed(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        text = f"{context.get('message', 'a task failed')}: {named(error) if error else ''}"
        if loop.time() >= said.get(text, 0.0):
            said[text] = loop.time() + SAID_AGAIN_AFTER
            log.error("%s", text)

    loop.set_exception_handler(failed)


def _ended(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    log.critical("ended by a defect", exc_info=(kind, error, trace))


def _thread_ended(args: "threading.ExceptHookArgs") -> None:
    if args.exc_value is not None:
        log.error("a thread was ended by a defect: %s", named(args.exc_value))


def _not_raised(args: "sys.UnraisableHookArgs") -> None:
    if args.exc_value is not None:
        log.error("a failure that nobody could be told: %s", named(args.exc_value))
