"""Messages to the LIS, written with the sender's own segments.

What the sender wrote stays byte for byte, except what verification owns: MSH, OBX-8 and OBX-11,
OBR-22 and OBR-25, appended NTE comments and derived OBX, and the results that are left out.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from verifier.hl7.charsets import fit
from verifier.hl7.escapes import encode
from verifier.hl7.groups import Groups, Order, Person, Place, Result, read_groups
from verifier.hl7.message import NULL, Message, Segment
from verifier.hl7.moments import format_moment

# Where an OUL has something else, an ORU begins an order with ORC; a container goes behind OBR.
_RANK = {"ORC": 0, "SAC": 2, "SID": 2}
_NORMAL = "N"  # HL7 table 0078: no other flag applies, so it can not stand beside one


@dataclass(frozen=True, slots=True)
class Change:
    """What becomes of one OBX: its status (HL7 table 0085), a flag (0078) to add, comments.

    `words` stand in place of the value, which then leaves with neither unit, range nor flag.
    """

    status: str
    flag: str | None = None
    comments: tuple[str, ...] = ()
    words: str = ""


@dataclass(frozen=True, slots=True)
class AddedObservation:
    """A derived result to add. `value` is the text of OBX-5, `unit` is UCUM, `kind` is OBX-2."""

    code: str
    title: str
    system: str
    value: str
    unit: str
    status: str = "F"
    flag: str | None = None
    reference: str = ""
    kind: str = "NM"
    comments: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Header:
    """What the MSH of an outgoing message says; `version` and `processing` None: as received.

    `now` is aware; `zone` is how it is written.
    """

    application: str
    facility: str
    receiving_application: str
    receiving_facility: str
    control_id: str
    now: datetime
    version: str | None = None
    processing: str | None = None
    zone: str = "UTC"


def build_report(
    message: Message,
    *,
    keep: Mapping[int, Change],
    header: Header,
    extra: Sequence[AddedObservation] = (),
    sent: Collection[int] = (),
) -> bytes:
    """Return an ORU^R01 with the OBX whose segment index is in `keep`, changed as it says.

    Orders without a kept OBX are left out with everything that belongs to them. `extra` goes to
    the end of the last order kept. `sent` are OBX that went out before: leaving them out does not
    make an order partial. An OUL is put into the order of an ORU^R01: per order ORC, OBR, container
    of OUL^R21, results, SPM; what else only OUL knows stays with the segment it followed.

    Raises:
        ValueError: an index in `keep` or `sent` is no OBX, or there is nothing to report.
    """
    groups = read_groups(message)
    _check(message, keep, sent, extra)
    orders = [order for person in groups.people for order in person.orders]
    chosen = [order for order in orders if _has(order, keep)]
    if not chosen:  # derived results alone go where their inputs went
        chosen = [order for order in orders if _has(order, sent)][-1:] or orders[-1:]
    return _Writer(message, groups, keep, header, extra, sent, chosen).write()


def _check(
    message: Message,
    keep: Mapping[int, Change],
    sent: Collection[int],
    extra: Sequence[AddedObservation],
) -> None:
    observations = {segment.index for segment in message.all("OBX")}
    if not observations.issuperset({*keep, *sent}):
        raise ValueError("keep and sent must be positions of OBX segments")
    if not observations or not (keep or extra):
        raise ValueError("there is nothing to report")


def _has(order: Order, indices: Collection[int]) -> bool:
    return any(result.obx.index in indices for result in order.every_result())


class _Writer:
    """Writes one message; keeps what every line needs."""

    def __init__(
        self,
        message: Message,
        groups: Groups,
        keep: Mapping[int, Change],
        header: Header,
        extra: Sequence[AddedObservation],
        sent: Collection[int],
        chosen: list[Order],
    ) -> None:
        self._message, self._groups, self._keep, self._header = message, groups, keep, header
        self._extra, self._sent, self._chosen = extra, sent, chosen
        self._version = header.version or message.version
        marks = message.delimiters
        self._marks = marks if self._version >= "2.7" else marks._replace(truncation="")
        self._chosen_ids = {id(order) for order in chosen}
        self._rewritten = message.type == "OUL"
        self._written: set[int] = set()

    def write(self) -> bytes:
        lines = [self._msh(), *self._as_sent(self._groups.opening)]
        for person in self._groups.people:
            if any(self._is_chosen(order) for order in person.orders):
                lines += self._person(person)
        lines += self._as_sent(self._groups.closing)
        return b"".join(line + b"\r" for line in lines)

    def _is_chosen(self, order: Order) -> bool:
        return id(order) in self._chosen_ids

    def _as_sent(self, segments: Iterable[Segment]) -> list[bytes]:
        return [self._message.pieces[segment.index] for segment in segments]

    def _own(self, text: str) -> str:
        return encode(fit(text, self._message.charset), self._marks)

    def _edited(self, segment: Segment, changes: Mapping[int, str]) -> bytes:
        fields = list(segment.fields)
        fields += [""] * (max(changes) + 1 - len(fields))
        for number, text in changes.items():
            fields[number] = text
        if segment.name == "MSH":
            del fields[1]
        return self._marks.field.join(fields).encode(self._message.charset)

    def _line(self, *fields: str) -> bytes:
        text = self._marks.field.join(fields).rstrip(self._marks.field)
        return text.encode(self._message.charset)

    def _msh(self) -> bytes:
        header, received = self._header, self._message.header
        kind = ["ORU", "R01"] + ["ORU_R01"] * (self._version != "2.3")
        changes = {
            2: self._marks.encoding + self._marks.truncation,
            3: self._own(header.application),
            4: self._own(header.facility),
            5: self._own(header.receiving_application),
            6: self._own(header.receiving_facility),
            7: format_moment(header.now, header.zone),
            9: self._marks.component.join(kind),
            10: self._own(header.control_id),
            11: header.processing or received.field(11),
            12: header.version or received.field(12),
        }
        # A sequence number, and the sender's wish how to be answered, are between it and us.
        changes |= {n: "" for n in (13, 15, 16) if received.field(n)}
        if self._rewritten and received.field(21):
            changes[21] = ""  # the profile it names is one of OUL^R22
        return self._edited(received, changes)

    def _person(self, person: Person) -> list[bytes]:
        lines = self._as_sent(person.opening)
        for number, order in enumerate(person.orders):
            if self._is_chosen(order):
                lines += self._order(order, self._borrowed(person.orders[number:]))
        return lines

    def _borrowed(self, orders: list[Order]) -> list[Place]:
        """The specimen of a first order that has none but is followed by one it belongs to.

        Senders put one SPM behind the last of several orders of a specimen. When that last order
        is left out, its SPM goes with the last one kept, if both name the same specimen.
        """
        first, *rest = orders
        for order in rest if not first.places else ():
            same = first.obr and order.obr and _identity(first.obr) == _identity(order.obr)
            if self._is_chosen(order) or not same:
                break
            if order.places:
                return order.places
        return []

    def _order(self, order: Order, borrowed: list[Place]) -> list[bytes]:
        opening = order.opening
        if self._rewritten:
            opening = sorted(opening, key=lambda segment: _RANK.get(segment.name, 1))
        status = {22: format_moment(self._header.now, self._header.zone), 25: self._status(order)}
        lines = []
        for segment in opening:
            if segment.name == "OBR":
                lines.append(self._edited(segment, status))
            else:
                lines += self._as_sent([segment])
        for result in order.results:
            lines += self._result(result)
        if order is self._chosen[-1]:
            lines += self._added(order)
        lines += self._as_sent(order.closing)
        for place in order.places or borrowed:
            lines += self._place(place)
        return lines

    def _place(self, place: Place) -> list[bytes]:
        lines = []
        for item in place.items:
            if isinstance(item, Segment):
                lines += self._as_sent([item])
            elif item.obx.index not in self._written:  # a specimen may serve several orders
                lines += self._result(item)
        return lines

    def _status(self, order: Order) -> str:
        """OBR-25 (HL7 table 0123) of an order from the results that are written and left out."""
        shown = {r.obx.index for r in order.every_result()} - set(self._sent)
        statuses = {self._keep[i].status if i in self._keep else "" for i in shown}
        statuses |= {item.status for item in self._extra if order is self._chosen[-1]}
        if statuses & {"C", "W", "D"}:
            return "C"  # also where others are left out: a correction must not be missed
        alike = len(statuses) == 1 and statuses <= {*"FRPISX"}
        return statuses.pop() if alike else "A"  # some, but not all, results available

    def _result(self, result: Result) -> list[bytes]:
        obx = result.obx
        change = self._keep.get(obx.index)
        if change is None:
            return []
        self._written.add(obx.index)
        changes = {11: change.status}
        if change.words:
            changes |= {2: "ST", 5: self._own(change.words), 6: "", 7: "", 8: ""}
        elif change.flag:
            changes[8] = self._flags(obx, change.flag)
        notes = [n for n, segment in enumerate(result.followers, 1) if segment.name == "NTE"]
        cut = notes[-1] if notes else 0
        return [
            self._edited(obx, changes),
            *self._as_sent(result.followers[:cut]),
            *self._comments(change.comments, len(notes) + 1),
            *self._as_sent(result.followers[cut:]),
        ]

    def _flags(self, obx: Segment, flag: str) -> str:
        codes = [obx.get(8, rep=rep + 1) for rep in range(len(obx.repetitions(8)))]
        if flag in codes or (flag == _NORMAL and any(codes)):
            return obx.field(8)
        if not any(codes) or codes == [_NORMAL] or obx.field(8) == NULL:
            return self._own(flag)
        return obx.field(8) + self._marks.repetition + self._own(flag)

    def _comments(self, comments: Sequence[str], first: int) -> list[bytes]:
        # NTE-2, HL7 table 0105: L, the laboratory that files the result.
        return [
            self._line("NTE", str(n), "L", self._own(text))
            for n, text in enumerate(comments, first)
        ]

    def _added(self, order: Order) -> list[bytes]:
        numbers = [
            int(t) for r in order.results if (t := r.obx.field(1)).isdecimal() and len(t) < 5
        ]
        lines = []
        for number, item in enumerate(self._extra, max(numbers, default=0) + 1):
            code = self._marks.component.join(map(self._own, (item.code, item.title, item.system)))
            unit = (
                self._marks.component.join([self._own(item.unit), "", "UCUM"]) if item.unit else ""
            )
            fields = ["OBX", str(number), item.kind, code, "", self._own(item.value), unit]
            fields += [self._own(item.reference), self._own(item.flag or ""), "", "", item.status]
            lines += [self._line(*fields), *self._comments(item.comments, 1)]
        return lines


def _identity(obr: Segment) -> tuple[str, str]:
    return obr.field(2), obr.field(3)
