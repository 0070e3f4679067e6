"""Batches: several messages in one block, between BHS and BTS, batches between FHS and FTS.

HL7 v2.5.1 section 2.10.3: ``[FHS] { [BHS] { [MSH ...] } [BTS] } [FTS]``. A batch is cut into its
messages, each byte for byte as it came; what stands around them is the envelope. Trailers count
what they close (BTS-1 messages, FTS-1 batches): a count that is not right, or a trailer that is
missing, means that something may be lost, and everything of the block is in doubt.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.hl7.charsets import fit
from verifier.hl7.delimiters import USUAL, Delimiters, read_delimiters
from verifier.hl7.escapes import encode
from verifier.hl7.moments import format_moment

_END = rb"(?=[!-/:-@\[-`{-~\r\n]|\Z)"  # a delimiter, or the end of a segment without fields
_FIRST = re.compile(rb"(?:[ \t\r\n\0]|\xef\xbb\xbf)*[FB]HS" + _END)
_NAMES = rb"(FHS|BHS|MSH|BTS|FTS)" + _END
_AT_CR = re.compile(rb"(?:\A|\r\n?)" + _NAMES)
_AT_LF = re.compile(rb"(?:\A|\n)" + _NAMES)
_BLANK = re.compile(rb"[ \t\r\n\0]*")


@dataclass(frozen=True, slots=True)
class Part:
    """One batch: the text of its BHS (empty where there is none) and its messages."""

    header: str
    messages: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Batch:
    """A block cut into messages. `envelope` are all bytes that are of no message.

    `header` is the text of FHS, empty where there is none; `doubts` are sentences about the whole.
    """

    header: str
    parts: tuple[Part, ...]
    envelope: bytes
    doubts: tuple[str, ...]

    @property
    def messages(self) -> tuple[bytes, ...]:
        """All messages, in order."""
        return tuple(message for part in self.parts for message in part.messages)


def is_batch(raw: bytes) -> bool:
    """Whether a block begins with the header of a batch or of a file of batches."""
    return _FIRST.match(raw) is not None


def split(raw: bytes) -> Batch:
    """Return the messages of a block that `is_batch`."""
    data = raw[raw.index(b"HS") - 1 :]
    cut = _Cut(raw[: len(raw) - len(data)])
    marks = list((_AT_CR if b"\r" in data else _AT_LF).finditer(data))
    ends = [mark.start(1) for mark in marks[1:]] + [len(data)]
    for mark, end in zip(marks, ends, strict=True):
        cut.visit(mark[1], data[mark.start(1) : end])
    return cut.done()


class _Cut:
    """Walks through the pieces of a block, each of which begins with a segment of `_NAMES`."""

    def __init__(self, before: bytes) -> None:
        self._envelope = [before]
        self._file = ""
        self._closed = False
        self._parts: list[Part] = []
        self._header: str | None = None
        self._messages: list[bytes] = []
        self._separator = USUAL.field
        self._doubts: list[str] = []

    def visit(self, name: bytes, piece: bytes) -> None:
        if self._closed:
            self._doubts.append("something follows the end of the batches (FTS)")
        if name == b"MSH":
            self._messages.append(piece)
            return
        self._envelope.append(piece)
        line = re.split(rb"[\r\n]", piece, maxsplit=1)[0]
        if _BLANK.fullmatch(piece[len(line) :]) is None:
            self._doubts.append(f"segments that belong to no message follow {name.decode()}")
        text = line.decode("latin-1")
        match name:
            case b"FHS":
                self._open_file(text)
            case b"BHS":
                self._close_batch("")
                self._header = self._read_header(text)
            case b"BTS":
                self._end_batch(text)
            case b"FTS":
                self._end_file(text)

    def done(self) -> Batch:
        if self._file and not self._closed:
            self._doubts.append("the end of the batches (FTS) is missing")
        self._close_batch("")
        doubts = tuple(dict.fromkeys(self._doubts))
        return Batch(self._file, tuple(self._parts), b"".join(self._envelope), doubts)

    def _read_header(self, text: str) -> str:
        if isinstance(read_delimiters(text), str):
            self._doubts.append(f"the delimiters of {text[:3]} can not be used")
        else:
            self._separator = text[3]
        return text

    def _open_file(self, text: str) -> None:
        if self._file or self._parts or self._header is not None or self._messages:
            self._doubts.append("the header of the batches (FHS) does not stand first")
        self._file = self._file or self._read_header(text)

    def _end_batch(self, text: str) -> None:
        if self._header is None and not self._messages:
            self._doubts.append("an end of a batch (BTS) stands where no batch is")
        self._count(text, len(self._messages), "the batch", "messages")
        self._close_batch(text)

    def _close_batch(self, trailer: str) -> None:
        if self._header is not None and not trailer:
            self._doubts.append("the end of a batch (BTS) is missing")
        if self._header is not None or self._messages:
            self._parts.append(Part(self._header or "", tuple(self._messages)))
        self._header, self._messages = None, []

    def _end_file(self, text: str) -> None:
        self._close_batch("")
        self._count(text, len(self._parts), "the file", "batches")
        self._closed = True

    def _count(self, trailer: str, found: int, what: str, of: str) -> None:
        told = [*trailer.split(self._separator), ""][1].strip()
        number = told.isascii() and told.isdecimal() and len(told) < 10
        if told and (not number or int(told) != found):
            self._doubts.append(f"{what} is said to hold {told[:20]} {of}, but {found} came")


def answer(
    batch: Batch,
    acks: Sequence[Sequence[bytes]],
    *,
    control_id: str,
    now: datetime,
    application: str,
    facility: str,
) -> bytes:
    """Return the batch that answers: per part its acknowledgements, in the order of the messages.

    Each header names the one it answers (BHS-12, FHS-12).
    """
    ours = (application, facility, format_moment(now), control_id)
    lines = []
    for part, answers in zip(batch.parts, acks, strict=True):
        separator = _marks(part.header).field
        lines += [_header("BHS", part.header, ours), *answers]
        lines.append(f"BTS{separator}{len(answers)}\r".encode())
    if batch.header:
        separator = _marks(batch.header).field
        lines.insert(0, _header("FHS", batch.header, ours))
        lines.append(f"FTS{separator}{len(batch.parts)}\r".encode())
    return b"".join(lines)


def _marks(header: str) -> Delimiters:
    marks = read_delimiters(header) if header else USUAL
    return USUAL if isinstance(marks, str) else marks._replace(truncation="")


def _header(name: str, theirs: str, ours: tuple[str, str, str, str]) -> bytes:
    marks = _marks(theirs)
    fields = [*(theirs or name).split(marks.field), *[""] * 12]  # field n stands at n - 1
    application, facility, now, control_id = (encode(fit(t, "ascii"), marks) for t in ours)
    line = [name, marks.encoding, application, facility, fields[2], fields[3], now]
    line += ["", "", "", control_id, fields[10]]
    return (marks.field.join(line).rstrip(marks.field) + "\r").encode("latin-1")
