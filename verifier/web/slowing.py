"""Slowing down whoever tries many names from one address, which no lock of one account notices."""

import threading
from collections import OrderedDict
from datetime import datetime, timedelta
from ipaddress import ip_address

REMEMBERED = timedelta(minutes=15)
LONGEST_WAIT = timedelta(minutes=5)
MOST_ADDRESSES = 10_000
_NETWORK_BITS = 64  # one subscriber has a whole such network of IPv6


class Slowing:
    """Failures per address, kept in memory: of each node its own, and gone with a restart.

    Nothing but time makes it forget: who has an account could clear the count by signing in.
    """

    def __init__(self, after: int) -> None:
        self._after = after
        self._known: OrderedDict[str, tuple[int, datetime]] = OrderedDict()
        self._lock = threading.Lock()

    def wait(self, address: str, now: datetime) -> timedelta:
        """Return how long an address has to wait before its next attempt is looked at."""
        with self._lock:
            failures, last = self._known.get(_place(address), (0, now))
        if failures < self._after or now - last > REMEMBERED:
            return timedelta()
        pause = min(LONGEST_WAIT, timedelta(seconds=2 ** min(failures - self._after, 12)))
        return max(timedelta(), last + pause - now)

    def failed(self, address: str, now: datetime) -> None:
        """Count a failure."""
        place = _place(address)
        with self._lock:
            failures, last = self._known.pop(place, (0, now))
            self._known[place] = (1 if now - last > REMEMBERED else failures + 1, now)
            while len(self._known) > MOST_ADDRESSES:
                self._known.popitem(last=False)


def _place(address: str) -> str:
    try:
        known = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if known.version == 4 or known.ipv4_mapped:
        return str(getattr(known, "ipv4_mapped", None) or known)
    return f"{int(known) >> _NETWORK_BITS:x}"
