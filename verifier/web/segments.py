"""A message segment by segment, with those of one specimen marked and every field by its name."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from verifier.facts.catalogue import ConnectionMap
from verifier.facts.extract import read_specimens
from verifier.hl7.faults import Unreadable
from verifier.hl7.fieldnames import field_name, segment_title
from verifier.hl7.groups import Order, Person, Result, read_groups
from verifier.hl7.message import Message, Segment
from verifier.store.rows import Inbound
from verifier.web.catalogue import say

_FIRST = {"MSH": 3}  # the first two hold the separators


@dataclass(frozen=True, slots=True)
class Field:
    """One field that was sent: ``OBX-5``, its name, its parts in readable form."""

    place: str
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Shown:
    """One segment; `ours` says that it speaks of the specimen looked at."""

    number: int
    name: str
    title: str
    text: str
    ours: bool
    fields: Sequence[Field]


@dataclass(frozen=True, slots=True)
class Said:
    """A message as shown. `notes` are the comments (NTE-3) under the OBX of each segment number."""

    id: int
    control_id: str
    segments: Sequence[Shown] = ()
    trouble: str = ""
    notes: Mapping[int, tuple[str, ...]] = field(default_factory=dict)

    @property
    def others(self) -> int:
        """How many segments speak of other specimens."""
        return sum(not segment.ours for segment in self.segments)


def said_by(inbound: Inbound, connection: ConnectionMap | None, specimen: str = "") -> Said:
    """Return a message with the segments of a specimen marked; without one all are."""
    mapping = connection or ConnectionMap(inbound.connection)
    if not inbound.raw:
        said = say("The message was removed after its time.")
        return Said(inbound.id, inbound.control_id, trouble=said)
    try:
        message = Message.read(inbound.raw, charset=mapping.charset)
    except Unreadable as error:
        return Said(inbound.id, inbound.control_id, trouble=str(error))
    ours = _of_specimen(message, mapping, specimen) if specimen else None
    shown = [_shown(one, ours is None or one.index in ours) for one in message.segments]
    return Said(inbound.id, inbound.control_id, shown, "", _notes(message))


def _of_specimen(message: Message, mapping: ConnectionMap, specimen: str) -> set[int]:
    """Return the segments that speak of a specimen, and those that speak of the whole message."""
    theirs: set[int] = set()
    ours: set[int] = set()
    for report in read_specimens(message, mapping):
        found = {one.segment for one in report.observations}
        if report.specimen.key == specimen:
            ours |= found
        else:
            theirs |= found
    groups = read_groups(message)
    marked = {0, *(s.index for s in (*groups.opening, *groups.closing))}
    for person in groups.people:
        orders = [order for order in person.orders if _speaks_of(order, ours)]
        if orders:
            marked |= set(_indexes(person, orders))
    return (marked | ours) - theirs


def _speaks_of(order: Order, ours: set[int]) -> bool:
    return any(segment.index in ours for segment in _of_order(order))


def _indexes(person: Person, orders: Sequence[Order]) -> Iterator[int]:
    for segment in person.opening:
        yield segment.index
    for order in orders:
        for segment in _of_order(order):
            yield segment.index


def _of_order(order: Order) -> Iterator[Segment]:
    yield from order.opening
    for result in order.results:
        yield from _of_result(result)
    yield from order.closing
    for place in order.places:
        for item in place.items:
            if isinstance(item, Result):
                yield from _of_result(item)
            else:
                yield item


def _of_result(result: Result) -> Iterator[Segment]:
    yield result.obx
    yield from result.followers


def _notes(message: Message) -> dict[int, tuple[str, ...]]:
    found = {}
    for person in read_groups(message).people:
        for order in person.orders:
            for result in order.every_result():
                notes = [_note(one) for one in result.followers if one.name == "NTE"]
                if any(notes):
                    found[result.obx.index] = tuple(note for note in notes if note)
    return found


def _note(segment: Segment) -> str:
    return "\n".join(segment.decoded(part) for part in segment.repetitions(3))


def _shown(segment: Segment, ours: bool) -> Shown:
    fields = [
        Field(f"{segment.name}-{number}", field_name(segment.name, number), text)
        for number in range(_FIRST.get(segment.name, 1), len(segment.fields))
        if (text := _readable(segment, number))
    ]
    title = segment_title(segment.name)
    return Shown(segment.index + 1, segment.name, title, segment.text, ours, fields)


def _readable(segment: Segment, number: int) -> str:
    """Return a field with its parts apart: components by a dot, repetitions by a bar."""
    if segment.is_null(number):
        return say("“” (delete what was sent before)")
    count = len(segment.repetitions(number))
    parts = (segment.components(number, rep) for rep in range(1, count + 1))
    return " | ".join(" · ".join(one for one in part if one) for part in parts)
