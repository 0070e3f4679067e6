"""Load a listener over MLLP from several connections and count what it acknowledges."""

import asyncio
import re
from collections.abc import Sequence
from dataclasses import dataclass
from time import perf_counter

START, END = b"\x0b", b"\x1c\r"
ACCEPTED = re.compile(rb"\rMSA\|(AA|CA)\|([^|\r]*)")


@dataclass(frozen=True, slots=True)
class Load:
    """What a run of the load gave: messages acknowledged, seconds, and each one's latency (s)."""

    messages: int
    seconds: float
    latencies: tuple[float, ...]

    @property
    def rate(self) -> float:
        """Messages acknowledged per second."""
        return self.messages / self.seconds

    def percentile(self, share: float) -> float:
        """Latency in seconds that `share` (0…1) of the messages stayed within."""
        ordered = sorted(self.latencies)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


async def _send_all(port: int, batch: Sequence[bytes], every: float, wait: float) -> list[float]:
    """Send one after the other, not faster than one in `every` seconds.

    A message that had to wait for the one before counts from when it was due.
    """
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    latencies = []
    due = perf_counter() + wait
    for raw in batch:
        await asyncio.sleep(max(0.0, due - perf_counter()))
        began = due if every else perf_counter()
        due += every
        writer.write(START + raw + END)
        answer = await reader.readuntil(END)
        latencies.append(perf_counter() - began)
        if not ACCEPTED.search(answer):
            raise AssertionError(f"not acknowledged: {answer[:300]!r}")
    writer.close()
    return latencies


async def _load(port: int, batches: Sequence[Sequence[bytes]], rate: float) -> Load:
    began = perf_counter()
    every = len(batches) / rate if rate else 0.0
    latencies = await asyncio.gather(
        *(
            _send_all(port, batch, every, every * part / len(batches))
            for part, batch in enumerate(batches)
        )
    )
    seconds = perf_counter() - began
    flat = tuple(latency for group in latencies for latency in group)
    return Load(len(flat), seconds, flat)


def load(port: int, raws: Sequence[bytes], *, connections: int, rate: float = 0.0) -> Load:
    """Send `raws` over `connections` connections, one message in flight on each; all must be AA.

    `rate` is how many messages per second are due on all connections together; 0: no limit.
    """
    batches = [raws[part::connections] for part in range(connections)]
    return asyncio.run(_load(port, batches, rate))
