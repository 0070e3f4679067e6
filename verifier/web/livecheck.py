"""The checker at the hand of whoever edits: fast, because it remembers what it read."""

import threading
from collections import OrderedDict

from verifier.language import Checked, check
from verifier.language.memory import Memory
from verifier.rulefiles import without_marks
from verifier.settings import Settings
from verifier.store.rulerows import RuleTexts

_MOST = 4  # rule sets being edited at the same time; others are checked as if for the first time


class LiveCheck:
    """Checks rule sets as this site uses them.

    Threads may share it; checks of one rule set wait for each other.
    """

    def __init__(self, settings: Settings) -> None:
        self._conventional = settings.units == "conventional"
        self._memories: OrderedDict[object, tuple[threading.Lock, Memory]] = OrderedDict()
        self._lock = threading.Lock()

    def check(self, about: object, written: RuleTexts) -> Checked:
        """Return what `check` finds; `about` names what is edited, and so what is remembered."""
        lock, memory = self._memory(about)
        files, parameters = without_marks(written.files), written.parameters
        with lock:
            return check(files, parameters, conventional=self._conventional, memory=memory)

    def _memory(self, about: object) -> tuple[threading.Lock, Memory]:
        with self._lock:
            kept = self._memories.setdefault(about, (threading.Lock(), Memory()))
            self._memories.move_to_end(about)
            while len(self._memories) > _MOST:
                self._memories.popitem(last=False)
            return kept
