"""The message reader: exact positions, the sender's own text, split only where it is asked for."""

from collections.abc import Sequence
from functools import cached_property

from verifier.hl7.delimiters import Delimiters
from verifier.hl7.escapes import decode
from verifier.hl7.faults import SEQUENCE
from verifier.hl7.faults import AckFault as AckFault
from verifier.hl7.faults import Unreadable as Unreadable
from verifier.hl7.intake import take

NULL = '""'


class Segment:
    """One segment; `index` counts from 0 (MSH), `text` is as received.

    Field numbers are those of the standard: MSH-1 is the separator itself, MSH-2 the others.
    """

    __slots__ = ("_codec", "_delimiters", "_fields", "index", "name", "text")

    def __init__(self, text: str, index: int, delimiters: Delimiters, codec: str) -> None:
        self.text = text
        self.index = index
        self.name = (
            text.split(delimiters.field, 1)[0] if text[3:4] != delimiters.field else text[:3]
        )
        self._delimiters = delimiters
        self._codec = codec
        self._fields: list[str] | None = None

    def __repr__(self) -> str:
        return f"<{self.name} at {self.index}>"  # no content: it may name a patient

    @property
    def fields(self) -> list[str]:
        """The raw fields; number 0 is the name of the segment."""
        if self._fields is None:
            self._fields = self.text.split(self._delimiters.field)
            if self.name == "MSH":
                self._fields.insert(1, self._delimiters.field)
        return self._fields

    def field(self, n: int) -> str:
        """Return field `n` as it was sent, or an empty text."""
        fields = self._fields or self.fields
        return fields[n] if n < len(fields) else ""

    def is_null(self, n: int) -> bool:
        """Whether field `n` is the HL7 null ``""`` (v2.5.1 section 2.5.3), not just empty."""
        return self.field(n) == NULL

    def get(self, n: int, component: int = 1, sub: int = 1, rep: int = 1) -> str:
        """Return one decoded part of field `n`; empty when absent, empty or null."""
        text = self.field(n)
        if not text or (text.isalnum() and component == sub == rep == 1):
            return text
        marks = self._delimiters
        if n <= 2 and self.name == "MSH":
            return text if component == sub == rep == 1 else ""
        text = _part(_part(text, marks.repetition, rep), marks.component, component)
        return self.decoded(_part(text, marks.subcomponent, sub))

    def repetitions(self, n: int) -> list[str]:
        """Return the repetitions of field `n` as they were sent; none for an empty field."""
        text = self.field(n)
        if not text:
            return []
        if n <= 2 and self.name == "MSH":
            return [text]
        return text.split(self._delimiters.repetition)

    def components(self, n: int, rep: int = 1) -> list[str]:
        """Return the decoded components of one repetition, subcomponents left joined."""
        repetitions = self.repetitions(n)
        if rep > len(repetitions):
            return []
        if n <= 2 and self.name == "MSH":
            return repetitions
        parts = repetitions[rep - 1].split(self._delimiters.component)
        return [self.decoded(part) for part in parts]

    def decoded(self, text: str) -> str:
        """Return raw `text` of this segment without escapes; empty for the null."""
        if text == NULL:
            return ""
        return decode(text, self._delimiters, self._codec)


def _part(text: str, separator: str, number: int) -> str:
    if separator not in text:
        return text if number == 1 else ""
    parts = text.split(separator)
    return parts[number - 1] if number <= len(parts) else ""


class Message:
    """A message as received.

    `raw` are the received bytes, `charset` the Python codec they were read with, `warnings` what
    was odd but could be read, in sentences; `doubts` are those of them that leave open whether the
    message was understood. Blank lines are no segments.
    """

    def __init__(
        self,
        raw: bytes,
        body: bytes,
        segments: tuple[Segment, ...],
        delimiters: Delimiters,
        charset: str,
        warnings: tuple[str, ...],
        doubts: tuple[str, ...] = (),
    ) -> None:
        self.raw = raw
        self.segments = segments
        self.delimiters = delimiters
        self.charset = charset
        self.warnings = warnings + doubts
        self.doubts = doubts
        self._body = body

    @classmethod
    def read(cls, raw: bytes, *, charset: str = "") -> "Message":
        """Read one message.

        Args:
            raw: the payload of one MLLP block.
            charset: a code of HL7 table 0211 to use when MSH-18 names none or an unknown one.

        Raises:
            Unreadable: no MSH or two, a batch, unusable delimiters, unknown or wrong character set.
        """
        text, body, delimiters, codec, warnings, doubts = take(raw, charset)
        lines = [line for line in text.split("\r") if line]
        segments = tuple([Segment(line, i, delimiters, codec) for i, line in enumerate(lines)])
        for segment in segments[1:]:
            name = segment.name
            if name == "MSH":  # two messages in one block: only one of them could be answered
                text = "a second MSH stands in the same block: send each message in its own"
                raise Unreadable(AckFault(SEQUENCE, text, "MSH^2"), segments[0].get(10))
            if len(name) != 3 or not (name.isascii() and name.isalnum() and name.isupper()):
                doubts.append(f"segment {segment.index + 1} does not begin with a segment name")
        return cls(raw, body, segments, delimiters, codec, tuple(warnings), tuple(doubts))

    @cached_property
    def pieces(self) -> tuple[bytes, ...]:
        """The bytes of each segment, in step with `segments`."""
        return tuple(piece for piece in self._body.split(b"\r") if piece)

    @cached_property
    def _by_name(self) -> dict[str, list[Segment]]:
        found: dict[str, list[Segment]] = {}
        for segment in self.segments:
            found.setdefault(segment.name, []).append(segment)
        return found

    def all(self, name: str) -> Sequence[Segment]:
        """Return all segments called `name`, in message order."""
        return self._by_name.get(name, ())

    def first(self, name: str) -> Segment | None:
        """Return the first segment called `name`, if any."""
        return next(iter(self.all(name)), None)

    @property
    def header(self) -> Segment:
        """The MSH segment."""
        return self.segments[0]

    @property
    def control_id(self) -> str:
        """MSH-10."""
        return self.header.get(10)

    @property
    def type(self) -> str:
        """MSH-9.1, for example ``ORU``."""
        return self.header.get(9)

    @property
    def event(self) -> str:
        """MSH-9.2, for example ``R01``."""
        return self.header.get(9, 2)

    @property
    def version(self) -> str:
        """MSH-12.1, for example ``2.5.1``."""
        return self.header.get(12)

    @property
    def processing(self) -> str:
        """MSH-11.1, a code of HL7 table 0103: P production, T training, D debugging."""
        return self.header.get(11)
