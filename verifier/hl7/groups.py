"""Which segments of a result message belong together, without dropping or moving any.

ORU (HL7 v2.5.1 section 7.3.1) puts a specimen behind the results of its order; OUL^R22 (section
7.3.6) puts it before the orders, OUL^R21 (section 7.3.2) a container before its one order.
Whatever the standard has no place for stays with the segment it follows.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from verifier.hl7.message import Message, Segment

_CLOSING = {"CTI", "FT1"}  # what may follow the results of an order, before its specimen
_CONTAINER = {"SAC"}  # ends the notes of a result that stands behind SPM


@dataclass(slots=True)
class Result:
    """An OBX with the segments that follow it: NTE, TCD, SID, PRT, Z-segments …"""

    obx: Segment
    followers: list[Segment] = field(default_factory=list)


@dataclass(slots=True)
class Place:
    """An SPM with what follows it: SAC, INV, and results that describe the specimen itself."""

    items: list[Segment | Result] = field(default_factory=list)

    @property
    def results(self) -> list[Result]:
        """The results among the items."""
        return [item for item in self.items if isinstance(item, Result)]


@dataclass(slots=True)
class Order:
    """One OBR, with what stands before its first result, its results and its specimens."""

    opening: list[Segment] = field(default_factory=list)
    results: list[Result] = field(default_factory=list)
    closing: list[Segment] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)

    @property
    def obr(self) -> Segment | None:
        """The OBR; None for results that stand under no OBR."""
        return next((segment for segment in self.opening if segment.name == "OBR"), None)

    def every_result(self) -> Iterator[Result]:
        """Results of the order, then those of its specimens."""
        yield from self.results
        for place in self.places:
            yield from place.results


@dataclass(slots=True)
class Person:
    """A PID with PD1, NTE, PV1 … and the orders of this patient."""

    opening: list[Segment] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)


@dataclass(slots=True)
class Groups:
    """The whole message below MSH; `opening` is what stands before any patient or order."""

    opening: list[Segment] = field(default_factory=list)
    people: list[Person] = field(default_factory=list)
    closing: list[Segment] = field(default_factory=list)


def read_groups(message: Message) -> Groups:
    """Return the segments of a result message in groups.

    Which side of its orders a specimen stands on is seen from the message: some senders of
    ORU^R01 put it first as well.
    """
    leading = next((s.name for s in message.segments if s.name in {"SPM", "OBR"}), "")
    container_first = (message.type, message.event) == ("OUL", "R21")
    specimen_first = not container_first and (message.type == "OUL" or leading == "SPM")
    walk = _Walk(specimen_first=specimen_first, container_first=container_first)
    for segment in message.segments[1:]:
        walk.visit(segment)
    return walk.groups


class _Walk:
    """Goes through the segments once and remembers which group is open."""

    def __init__(self, *, specimen_first: bool, container_first: bool) -> None:
        self.groups = Groups()
        self._specimen_first, self._container_first = specimen_first, container_first
        self._order: Order | None = None
        self._place: Place | None = None
        self._notes: list[Segment] | list[Segment | Result] = self.groups.opening

    def visit(self, segment: Segment) -> None:
        match segment.name:
            case "PID":
                self.groups.people.append(Person([segment]))
                self._order = self._place = None
                self._notes = self._person.opening
            case "SAC" if self._container_first:
                self._new_order([segment])
            case "ORC":
                self._open_orc(segment)
            case "OBR":
                self._open_obr(segment)
            case "SPM":
                self._open_place(segment)
            case "OBX":
                self._add_result(segment)
            case "DSC":
                self.groups.closing.append(segment)
            case name if name in _CLOSING and self._order and not self._inside_place:
                self._notes = self._order.closing
                self._order.closing.append(segment)
            case name if name in _CONTAINER and self._place and self._inside_place:
                self._notes = self._place.items
                self._place.items.append(segment)
            case _:
                self._notes.append(segment)

    @property
    def _person(self) -> Person:
        if not self.groups.people:
            self.groups.people.append(Person())
        return self.groups.people[-1]

    @property
    def _inside_place(self) -> bool:
        """Whether what comes next describes a specimen rather than an order."""
        return self._place is not None and (self._order is None or not self._specimen_first)

    def _open_orc(self, segment: Segment) -> None:
        order = self._order
        # OUL^R22 has ORC behind its OBR, OUL^R21 behind the container of the order.
        if order and not order.results and (self._specimen_first or self._is_bare(order)):
            order.opening.append(segment)
        else:
            self._new_order([segment])

    def _is_bare(self, order: Order) -> bool:
        return self._container_first and order.obr is None

    def _open_obr(self, segment: Segment) -> None:
        order = self._order
        if order and order.obr is None and not order.results:
            order.opening.append(segment)
            self._notes = order.opening
            if not self._specimen_first:
                self._place = None
        else:
            self._new_order([segment])

    def _new_order(self, opening: list[Segment]) -> None:
        if not self._specimen_first:
            self._place = None
        self._order = Order(opening, places=[self._place] if self._place else [])
        self._person.orders.append(self._order)
        self._notes = self._order.opening

    def _open_place(self, segment: Segment) -> None:
        self._place = Place([segment])
        if self._specimen_first:
            self._order = None
        else:
            if self._order is None:
                self._order = Order()
                self._person.orders.append(self._order)
            self._order.places.append(self._place)
        self._notes = self._place.items

    def _add_result(self, segment: Segment) -> None:
        result = Result(segment)
        if self._place and self._inside_place:
            self._place.items.append(result)
        else:
            if self._order is None:
                self._order = Order()
                self._person.orders.append(self._order)
            self._order.results.append(result)
        self._notes = result.followers
