"""Asking for a measurement again, or for a new specimen: OML^O21 (HL7 v2.5.1 section 4.4.6).

The standard has no message of its own for "measure this again". A laboratory order names the
observation that gave rise to it (OBR-26 and OBR-29), says what is to be done with the specimen
(OBR-11, table 0065: A adds a test to the specimen that is there, L has one taken), and a TCD
segment says how the test is repeated (TCD-8, table 0389: R repeated without, D with dilution).
Section number from memory; segments, fields and tables as version 2.5.1 has them.
"""

from collections.abc import Sequence
from typing import Literal

from verifier.hl7.changes import Header
from verifier.hl7.charsets import fit
from verifier.hl7.escapes import encode
from verifier.hl7.groups import Order, read_groups
from verifier.hl7.message import Message, Segment
from verifier.hl7.moments import format_moment

Wanted = Literal["rerun", "dilution", "new specimen"]
_REPEAT = {"rerun": "R", "dilution": "D"}  # table 0389
_NEW = "NW"  # table 0119, new order


def build_order(
    message: Message,
    *,
    wanted: Wanted,
    place: int,
    number: str,
    header: Header,
    comment: str = "",
) -> bytes:
    """Return an OML^O21 that asks for the test of the OBX at `place` of a result message.

    Patient and visit are as the sender wrote them, and so is the specimen when it is to be measured
    again. `number` is our order number (ORC-2). There is one order per message: in this structure
    a second ORC may as well begin the results of earlier orders.

    Raises:
        ValueError: the place is no OBX under an order.
    """
    for person in read_groups(message).people:
        for order in person.orders:
            for result in order.every_result():
                if result.obx.index == place:
                    writer = _Writer(message, header)
                    lines = [writer.msh(), *writer.patient(person.opening)]
                    lines += writer.order(order, result.obx, wanted, number, comment)
                    return b"".join(line + b"\r" for line in lines)
    raise ValueError("place must be the position of an OBX segment under an order")


class _Writer:
    """Writes one message in the delimiters and the character set of the one it rests on."""

    def __init__(self, message: Message, header: Header) -> None:
        self._message, self._header = message, header
        self._marks = message.delimiters._replace(truncation="")
        self._version = header.version or message.version

    def msh(self) -> bytes:
        header, marks = self._header, self._marks
        fields = ["MSH", marks.encoding]
        fields += map(self._own, (header.application, header.facility))
        fields += map(self._own, (header.receiving_application, header.receiving_facility))
        kind = ["OML", "O21"] + ["OML_O21"] * (self._version >= "2.3.1")
        fields += [format_moment(header.now, header.zone), "", marks.component.join(kind)]
        received = self._message.header
        fields += [self._own(header.control_id), header.processing or received.field(11)]
        fields += [header.version or received.field(12), *[""] * 5, received.field(18)]
        return self._line(fields)

    def patient(self, opening: Sequence[Segment]) -> list[bytes]:
        kept = [s for s in opening if s.name in ("PID", "PV1")]
        return [self._message.pieces[segment.index] for segment in kept]

    def order(
        self, order: Order, obx: Segment, wanted: Wanted, number: str, comment: str
    ) -> list[bytes]:
        """Return ORC, OBR, TCD, NTE and SPM of one test."""
        obr, test = order.obr, obx.field(3)
        made = format_moment(self._header.now, self._header.zone)
        mine = self._own(number)
        lines = [self._line(["ORC", _NEW, mine, *[""] * 6, made])]
        fields = ["OBR", "1", mine, "", test]
        fields += [""] * (11 - len(fields)) + ["L" if wanted == "new specimen" else "A"]
        fields += [""] * (26 - len(fields)) + [self._parent(obx)]
        if obr:
            parent = self._marks.component.join(map(self._inside, (obr.field(2), obr.field(3))))
            fields += ["", "", parent]
        lines.append(self._line(fields))
        if wanted in _REPEAT:
            status = self._marks.component.join([_REPEAT[wanted], wanted, "HL70389"])
            lines.append(self._line(["TCD", test, *[""] * 6, status]))
        if comment:
            lines.append(self._line(["NTE", "1", "L", self._own(comment)]))
        return lines + (self._specimen(order) if wanted in _REPEAT else [])

    def _parent(self, obx: Segment) -> str:
        """OBR-26: the observation, its sub-id and value; components one level further down."""
        return self._marks.component.join(
            [self._inside(obx.field(3)), obx.field(4), self._inside(obx.field(5))]
        )

    def _inside(self, text: str) -> str:
        return text.replace(self._marks.component, self._marks.subcomponent)

    def _specimen(self, order: Order) -> list[bytes]:
        kept = [
            item
            for place in order.places
            for item in place.items
            if isinstance(item, Segment) and item.name in ("SPM", "SAC")
        ]
        return [self._message.pieces[segment.index] for segment in kept]

    def _own(self, text: str) -> str:
        return encode(fit(text, self._message.charset), self._marks)

    def _line(self, fields: Sequence[str]) -> bytes:
        text = self._marks.field.join(fields).rstrip(self._marks.field)
        return text.encode(self._message.charset)
