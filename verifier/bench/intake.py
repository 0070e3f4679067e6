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


async def _send_all(port: int, batch: Sequence[bytes]) -> list[float]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    latencies = []
    for raw in batch:
        began = perf_counter()
        writer.write(START + raw + END)
        answer = await reader.readuntil(END)
        latencies.append(perf_counter() - began)
        if not ACCEPTED.search(answer):
            raise AssertionError(f"not acknowledged: {answer[:300]!r}")
    writer.close()
    return latencies


async def _load(port: int, batches: Sequence[Sequence[bytes]]) -> Load:
    began = perf_counter()
    latencies = await asyncio.gather(*(_send_all(port, batch) for batch in batches))
    seconds = perf_counter() - began
    flat = tuple(latency for group in latencies for latency in group)
    return Load(len(flat), seconds, flat)


def load(port: int, raws: Sequence[bytes], *, connections: int) -> Load:
    """Send `raws` over `connections` connections, one message in flight on each; all must be AA."""
    return asyncio.run(_load(port, [raws[part::connections] for part in range(connections)]))
