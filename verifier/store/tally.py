"""What this process has committed since it started, counted: what no query can ask a database."""

import threading
from collections import Counter
from collections.abc import Mapping

Key = tuple[str, ...]  # what is counted, then its labels
FAILED = "failed transactions"
UNREADABLE = "failed readings"


class Tally:
    """Counts that only grow. May be used from any thread."""

    def __init__(self) -> None:
        self._counts: Counter[Key] = Counter()
        self._lock = threading.Lock()

    def add(self, counts: Mapping[Key, int]) -> None:
        """Add what one transaction counted, once it is committed."""
        with self._lock:
            self._counts.update(counts)

    def of(self, what: str) -> dict[Key, int]:
        """Return the counts of one kind by their labels."""
        with self._lock:
            return {key[1:]: count for key, count in self._counts.items() if key[0] == what}

    def total(self, what: str) -> int:
        """Return the count of one kind over all labels."""
        return sum(self.of(what).values())
