"""A small LIS: takes what the service sends over MLLP, says it in plain words, acknowledges it."""

import asyncio
from collections.abc import Callable, Collection
from datetime import UTC, datetime

from msgspec import Struct

from verifier.demo.wire import ended, enveloped, field, fields, read_block

# HL7 table 0085, the codes an outgoing result can carry.
STATUS = {
    "F": "final",
    "C": "corrected",
    "P": "preliminary",
    "R": "not verified",
    "X": "withdrawn: no result",
    "W": "withdrawn: wrong",
    "D": "deleted",
}


class Line(Struct, frozen=True):
    """One result as it reached the LIS; `code` is OBX-3.1, `flag` OBX-8."""

    code: str
    name: str
    value: str
    unit: str
    status: str
    flag: str = ""

    def __str__(self) -> str:
        flag = f" {self.flag}" if self.flag else ""
        state = STATUS.get(self.status, self.status)
        return f"{self.name or self.code} {self.value} {self.unit}{flag} ({state})"


class Received(Struct, frozen=True):
    """One message as it reached the LIS, and how it was answered; `notes` are its NTE texts."""

    control_id: str
    specimen: str
    lines: tuple[Line, ...]
    notes: tuple[str, ...]
    answer: str


class Receiver:
    """The receiving side. `refuses` are specimens whose first message is answered with AE."""

    def __init__(self, refuses: Collection[str], say: Callable[[Received], None]) -> None:
        self.received: list[Received] = []
        self._refuses, self._say = set(refuses), say
        self._server: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()

    async def listen(self) -> int:
        """Start to listen on a free port of the loopback and return it."""
        self._server = await asyncio.start_server(self._talk, "127.0.0.1", 0)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        """Stop listening and end every connection."""
        if self._server:
            self._server.close()
        for task in self._talks:
            task.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None, "called by asyncio as a task"
        self._talks.add(task)
        try:
            while (message := await read_block(reader)) is not None:
                received = self._take(message)
                self.received.append(received)
                self._say(received)
                writer.write(enveloped(acknowledgement(message, received.answer)))
                await writer.drain()
        finally:
            self._talks.discard(task)
            await ended(writer)

    def _take(self, message: bytes) -> Received:
        segments = fields(message)
        specimen = _specimen(segments)
        refused = specimen in self._refuses
        self._refuses.discard(specimen)
        return Received(
            control_id=field(segments, "MSH", 10),
            specimen=specimen,
            lines=tuple(_line(segment) for segment in segments if segment[0] == "OBX"),
            notes=tuple(segment[3] for segment in segments if segment[0] == "NTE"),
            answer="AE" if refused else "AA",
        )


def _specimen(segments: list[list[str]]) -> str:
    number = field(segments, "SPM", 2) or field(segments, "OBR", 3) or field(segments, "OBR", 2)
    return number.split("^")[0].split("&")[0]


def _line(segment: list[str]) -> Line:
    padded = segment + [""] * 12
    code, name, *_ = [*padded[3].split("^"), "", ""]
    # A structured number (SN) is a comparator and a number: 2.A.71 writes them as components.
    value = padded[5].replace("^", "") if padded[2] == "SN" else padded[5]
    return Line(code, name, value, padded[6].split("^")[0], padded[11], padded[8].split("^")[0])


def acknowledgement(message: bytes, answer: str) -> bytes:
    """Return the acknowledgement of a message (HL7 v2.5.1 section 2.9.2.2)."""
    segments = fields(message)
    control, version = field(segments, "MSH", 10), field(segments, "MSH", 12) or "2.5.1"
    text = "|the invented LIS refuses this one" if answer != "AA" else ""
    now = datetime.now(UTC)
    return (
        f"MSH|^~\\&|LIS|FERNMOOR|VERIFIER|FERNMOOR|{now:%Y%m%d%H%M%S}+0000||ACK^R01^ACK|"
        f"A{control}|P|{version}\rMSA|{answer}|{control}{text}\r"
    ).encode("ascii", "replace")
