"""MLLP for the demo's own analyzers and LIS; shares no code with the service it talks to."""

import asyncio
import contextlib
from collections.abc import Mapping

START, END = b"\x0b", b"\x1c\r"
ANSWER_WITHIN = 20.0


async def read_block(reader: asyncio.StreamReader) -> bytes | None:
    """Return the next block without its envelope, or None when the other side has closed."""
    try:
        block = await reader.readuntil(END)
    except (asyncio.IncompleteReadError, ConnectionError):
        return None
    return block[: -len(END)].removeprefix(START)


def enveloped(message: bytes) -> bytes:
    """Return a message in its MLLP envelope."""
    return START + message + END


async def ended(writer: asyncio.StreamWriter) -> None:
    """Close a connection, whatever state it is in."""
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()


class Link:
    """One analyzer's lasting connection to the service."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def send(self, message: bytes) -> bytes:
        """Send a message and return the answer.

        Raises:
            ConnectionError: the service closed without answering.
            TimeoutError: no answer came in time.
        """
        reader, writer = await self._open()
        writer.write(enveloped(message))
        await writer.drain()
        answer = await asyncio.wait_for(read_block(reader), ANSWER_WITHIN)
        if answer is None:
            await self.close()
            raise ConnectionError("the service closed the connection without an answer")
        return answer

    async def send_half(self, message: bytes) -> bytes | None:
        """Send the first half of a message, break off, and return whatever is answered."""
        return await self._leave(enveloped(message)[: len(message) // 2])

    async def send_and_leave(self, message: bytes) -> bytes | None:
        """Send something on a connection of its own, end it, and return whatever is answered."""
        return await self._leave(enveloped(message))

    async def _leave(self, data: bytes) -> bytes | None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        writer.write(data)
        writer.write_eof()
        answer = await asyncio.wait_for(read_block(reader), ANSWER_WITHIN)
        await ended(writer)
        return answer

    async def close(self) -> None:
        """Close the connection; the next message opens a new one."""
        if self._streams:
            await ended(self._streams[1])
            self._streams = None

    async def _open(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        if self._streams is None:
            self._streams = await asyncio.open_connection("127.0.0.1", self._port)
        return self._streams


def fields(message: bytes) -> list[list[str]]:
    """Split a message with the usual delimiters into segments and fields, MSH-n at [n].

    Bytes are read by MSH-18 (HL7 table 0211), which the demo's own messages use truthfully.
    """
    start = message.split(b"\r", 1)[0].split(b"|")
    named = start[17] if len(start) > 17 else b""
    codecs: Mapping[bytes, str] = {b"8859/1": "latin-1", b"UNICODE UTF-8": "utf-8"}
    text = message.decode(codecs.get(named, "ascii"), "replace")
    segments = [line.split("|") for line in text.split("\r") if line]
    return [["MSH", *line] if line[0] == "MSH" else line for line in segments]


def field(segments: list[list[str]], name: str, position: int) -> str:
    """Return a field of the first segment called `name`, empty when there is none."""
    for segment in segments:
        if segment[0] == name:
            return segment[position] if len(segment) > position else ""
    return ""
