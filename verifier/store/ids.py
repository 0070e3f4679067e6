"""Row ids made before the row exists: 63 bits, sorted by time, unique across processes.

Layout: milliseconds since 1970 (41 bits), node (10 bits), counter (12 bits). One process never
makes a smaller id after a larger one, whatever the clock of the machine does.
"""

import secrets
import threading
import time
from datetime import datetime

_NODE_BITS, _COUNTER_BITS = 10, 12
_COUNTERS = 1 << _COUNTER_BITS


class Ids:
    """A source of ids; `node` tells processes apart and is drawn at random by default."""

    def __init__(self, node: int | None = None) -> None:
        chosen = secrets.randbelow(1 << _NODE_BITS) if node is None else node
        self._node = chosen << _COUNTER_BITS
        self._lock = threading.Lock()
        self._moment = 0
        self._counter = 0

    def new(self) -> int:
        """Return an id larger than every id this source made or was shown before."""
        now = time.time_ns() // 1_000_000
        with self._lock:
            if now > self._moment:
                self._moment, self._counter = now, 0
            elif self._counter + 1 < _COUNTERS:
                self._counter += 1
            else:
                self._moment, self._counter = self._moment + 1, 0
            return self._moment << (_NODE_BITS + _COUNTER_BITS) | self._node | self._counter

    def become(self, node: int) -> None:
        """Make ids of another node from now on; the database said that nobody else is it."""
        with self._lock:
            self._node = node << _COUNTER_BITS
            self._moment, self._counter = self._moment + 1, 0

    def stay_above(self, seen: int) -> None:
        """Make only ids above `seen` from now on: the clock may have been set back meanwhile."""
        with self._lock:
            moment = (seen >> (_NODE_BITS + _COUNTER_BITS)) + 1
            if moment > self._moment and seen > 0:
                self._moment, self._counter = moment, 0


def id_at(moment: datetime) -> int:
    """Return the smallest id that may be made at an instant or later, if clocks agree."""
    return int(moment.timestamp() * 1000) << (_NODE_BITS + _COUNTER_BITS)


IDS = Ids()


def new_id() -> int:
    """Return a new row id of this process."""
    return IDS.new()
