"""The checker at the hand of whoever edits: fast, because it remembers what it read."""

import gc
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager

from verifier.language import Checked, check
from verifier.language.memory import Memory
from verifier.rulefiles import Units, without_marks
from verifier.service.givingway import giving_way
from verifier.store.rulerows import RuleTexts

_MOST = 4  # rule sets being edited at the same time; others are checked as if for the first time


@contextmanager
def collecting_later() -> Iterator[None]:
    """Collect no garbage meanwhile: most of a check is gone at its end without being looked for.

    Looked for in the middle, it would seem to stay, and bring on the collection of everything.
    """
    if not gc.isenabled():  # somebody else will enable it
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


class _Desk:
    """What one writer's checks remember; `asked` counts them."""

    def __init__(self) -> None:
        self.lock, self.memory, self.asked = threading.Lock(), Memory(), 0


class LiveCheck:
    """Checks rule sets as this site uses them.

    Threads may share it; checks about the same thing wait for each other.
    """

    def __init__(self, units: Units = "SI") -> None:
        self._conventional = units == "conventional"
        self._desks: OrderedDict[object, _Desk] = OrderedDict()
        self._lock = threading.Lock()

    def check(self, about: object, written: RuleTexts) -> Checked:
        """Return what `check` finds; `about` names what is edited, and so what is remembered."""
        desk = self._desk(about)
        with desk.lock:
            return self._check(desk, written)

    def check_newest(self, about: object, written: RuleTexts) -> Checked | None:
        """Return the same, or None when another check was asked for while this one waited."""
        desk = self._desk(about)
        with self._lock:
            desk.asked += 1
            number = desk.asked
        with desk.lock:
            return self._check(desk, written) if number == desk.asked else None

    def _check(self, desk: _Desk, written: RuleTexts) -> Checked:
        files, parameters = without_marks(written.files), written.parameters
        with giving_way(), collecting_later():
            return check(files, parameters, conventional=self._conventional, memory=desk.memory)

    def _desk(self, about: object) -> _Desk:
        with self._lock:
            kept = self._desks.setdefault(about, _Desk())
            self._desks.move_to_end(about)
            while len(self._desks) > _MOST:
                self._desks.popitem(last=False)
            return kept
