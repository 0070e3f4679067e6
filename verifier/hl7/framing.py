"""MLLP framing without sockets: bytes in; whole payloads, or what was wrong with them, out.

A block is ``<VT> payload <FS><CR>`` (HL7 Implementation Guide, appendix C, section C.4.2).
"""

from dataclasses import dataclass
from typing import Literal

START, END = b"\x0b", b"\x1c\r"
USUAL_LIMIT = 4 << 20  # a report with a picture in it is some megabytes
KEPT_JUNK = 256  # enough of stray bytes to recognize what a sender does wrong
_HARMLESS = b"\x1c\r\n\t\0 "  # trailers sent twice, line ends, padding: common and carry nothing

FaultKind = Literal["junk", "restarted", "too long", "incomplete"]


@dataclass(frozen=True, slots=True)
class Frame:
    """The bytes of one block, without its first and last two bytes."""

    payload: bytes


@dataclass(frozen=True, slots=True)
class Fault:
    """Bytes that are no frame. `text` is a sentence; `partial` is what arrived (junk: its start).

    After ``too long`` the connection should be closed; the other kinds leave it usable.
    """

    kind: FaultKind
    text: str
    partial: bytes


def wrap(payload: bytes) -> bytes:
    """Return `payload` as one block."""
    return START + payload + END


class Framer:
    """Cuts a byte stream into payloads. The answer does not depend on how the bytes arrive.

    `limit` is the longest payload in bytes. Every byte is searched at most twice, and no more
    than `limit` bytes plus one chunk are held.
    """

    def __init__(self, limit: int = USUAL_LIMIT) -> None:
        self._limit = limit
        self._start_anew()

    def _start_anew(self) -> None:
        self._buffer = bytearray()
        self._searched = 0
        self._inside = False
        self._junk = bytearray()
        self._muted = False

    @property
    def pending(self) -> bool:
        """Whether a block has begun and not ended: what a time-out has to look at."""
        return self._inside

    def feed(self, data: bytes) -> list[Frame | Fault]:
        """Take what arrived and return what it completed, in order."""
        self._buffer += data
        found: list[Frame | Fault] = []
        while self._step(found):
            pass
        return found

    def end(self) -> list[Fault]:
        """Return what was left unfinished when the peer closed; nothing of it may be parsed."""
        found: list[Fault] = []
        self._end_junk(found)
        if self._inside:
            text = f"the connection ended inside a block, after {len(self._buffer)} bytes"
            found.append(Fault("incomplete", text, bytes(self._buffer)))
        self._start_anew()
        return found

    def _step(self, found: list[Frame | Fault]) -> bool:
        return self._read_block(found) if self._inside else self._find_start(found)

    def _find_start(self, found: list[Frame | Fault]) -> bool:
        start = self._buffer.find(START)
        self._note_junk(self._buffer[: start if start >= 0 else len(self._buffer)])
        if start < 0:
            self._buffer.clear()
            return False
        self._end_junk(found)
        self._begin(start)
        return True

    def _begin(self, start: int) -> None:
        del self._buffer[: start + 1]
        self._inside, self._searched = True, 0

    def _read_block(self, found: list[Frame | Fault]) -> bool:
        buffer, limit = self._buffer, self._limit
        again = buffer.find(START, self._searched)
        end = buffer.find(END, self._searched, again if again >= 0 else len(buffer))
        if 0 <= end <= limit:
            found.append(Frame(bytes(buffer[:end])))
            del buffer[: end + len(END)]
            self._inside = False
        elif end < 0 and 0 <= again <= limit:
            if again:
                text = f"a new block began inside a block, after {again} bytes"
                found.append(Fault("restarted", text, bytes(buffer[:again])))
            self._begin(again)
        elif len(buffer) > limit + 1:  # the byte at `limit` may still be the <FS> of an end
            text = f"no end of block within {limit} bytes"
            found.append(Fault("too long", text, bytes(buffer[:limit])))
            del buffer[:limit]
            self._inside, self._muted = False, True
        else:
            self._searched = max(len(buffer) - 1, 0)
            return False
        return True

    def _note_junk(self, data: bytearray) -> None:
        if not self._muted and len(self._junk) < KEPT_JUNK:
            stray = data if self._junk else data.lstrip(_HARMLESS)
            self._junk += stray[: KEPT_JUNK - len(self._junk)]

    def _end_junk(self, found: list[Frame | Fault] | list[Fault]) -> None:
        if self._junk:
            text = "bytes outside of any block were skipped"
            found.append(Fault("junk", text, bytes(self._junk)))
        self._junk.clear()
        self._muted = False
