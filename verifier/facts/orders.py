"""The orders of a message with what stands around them: patient, specimen, containers, results.

ORU^R01 puts an SPM after the results of its order, OUL^R22 before the orders of a specimen, and
OUL^R21 puts a container (SAC) before the one order it belongs to (HL7 v2.5.1 sections 7.3.1, 7.3.6
and 7.3.2). What is not in the place the standard gives it is a doubt, which holds; nothing is
assigned by guessing.
"""

from verifier.facts.priorities import most_urgent, priority_of
from verifier.hl7.message import Message, Segment

# INV-3, table 0384; where it says nothing, INV beside a control is its own.
_OF_CONTROL = {"", "CO"}


class Order:
    """One OBR with what stands around it."""

    def __init__(self, obr: Segment, orc: Segment | None) -> None:
        self.obr, self.orc = obr, orc
        self.spm: Segment | None = None
        self.sacs: list[Segment] = []
        self.results: list[Segment] = []
        self.lot = ""
        self.substances: list[str] = []
        self.timings: list[Segment] = []

    def priority(self) -> str:
        """The most urgent of TQ1-9, OBR-27, ORC-7 and the older OBR-5; empty when none says."""
        codes = [timing.get(9) for timing in self.timings]
        codes += [self.obr.get(27, 6), self.orc.get(7, 6) if self.orc else "", self.obr.get(5)]
        return most_urgent(map(priority_of, codes))

    def own_key(self) -> str:
        """The identifier without SPM and SAC: OBR-3, OBR-2, ORC-3, ORC-2, the first there is."""
        for segment in (self.obr, self.orc):
            for field in (3, 2):
                if segment and (found := identifier(segment, field)):
                    return found
        return ""


class Group:
    """One PID, or none, with its orders."""

    def __init__(self, pid: Segment | None) -> None:
        self.pid = pid
        self.visit: Segment | None = None
        self.orders: list[Order] = []
        self.doubts: list[str] = []


def read_groups(message: Message) -> list[Group]:
    """Return the orders per patient; the first group is of what stands before any PID."""
    if message.type != "OUL":
        walk = _Walk()
    elif message.event == "R21":
        walk = _ContainerFirst()
    else:
        walk = _SpecimenFirst()
    for segment in message.segments:
        walk.visit(segment)
    walk.end()
    return walk.groups


class _Walk:
    """Goes through the segments once, in the order of ORU: the specimen behind its order."""

    def __init__(self) -> None:
        self.groups = [Group(None)]
        self.order: Order | None = None
        self._orc: Segment | None = None

    @property
    def group(self) -> Group:
        return self.groups[-1]

    def visit(self, segment: Segment) -> None:
        match segment.name:
            case "OBX" if self.order:
                self.order.results.append(segment)
            case "OBX":
                self.doubt(segment, "an OBX stands before any OBR")
            case "PID":
                self._open_group(segment)
            case "PV1":
                self.group.visit = segment
            case "ORC":
                self.orc(segment)
            case "OBR":
                self.order = Order(segment, self._orc)
                self._orc = None
                self.opened(self.order)
                self.group.orders.append(self.order)
            case "SPM":
                self.spm(segment)
            case "SAC":
                self.sac(segment)
            case "INV" if segment.get(3) in _OF_CONTROL:
                self.inventory(segment.get(16))
            case "TQ1" if self.order:
                self.order.timings.append(segment)
            case "SID" if segment.get(2):
                self.substance(segment.get(2))

    def doubt(self, segment: Segment, text: str) -> None:
        self.group.doubts.append(f"segment {segment.index + 1}: {text}")

    def _open_group(self, pid: Segment) -> None:
        before = self.group
        self.end()
        self.groups.append(Group(pid))
        if before.pid and not before.orders:
            self.group.doubts.append("two patients (PID) stand before one order")
        self.order = self._orc = None
        self.forget()

    def end(self) -> None:
        """Say what was opened and belongs to nothing: the patient is complete."""

    def forget(self) -> None:
        """Let go of what belongs to the patient before."""

    def orc(self, segment: Segment) -> None:
        self._orc = segment

    def opened(self, order: Order) -> None:
        """Give a new order what stood before it."""

    def spm(self, segment: Segment) -> None:
        order = self.order
        if order is None:
            self.doubt(
                segment,
                "an SPM stands before any OBR, so it is not certain which results belong to "
                "which specimen",
            )
            return
        if order.spm and specimen_number(order.spm) != specimen_number(segment):
            self.group.doubts.append("one order names several specimens (SPM)")
        order.spm = order.spm or segment

    def sac(self, segment: Segment) -> None:
        if self.order:
            self.order.sacs.append(segment)

    def inventory(self, lot: str) -> None:
        if self.order:
            self.order.lot = self.order.lot or lot

    def substance(self, lot: str) -> None:
        if self.order:
            self.order.substances.append(lot)


class _SpecimenFirst(_Walk):
    """OUL^R22: a specimen with its containers, then all of its orders."""

    def __init__(self) -> None:
        super().__init__()
        self.forget()

    def forget(self) -> None:
        self._spm: Segment | None = None
        self._sacs: list[Segment] = []
        self._lot = ""

    def orc(self, segment: Segment) -> None:
        if self.order and not self.order.orc:
            self.order.orc = segment
        else:
            self._orc = segment

    def opened(self, order: Order) -> None:
        order.spm, order.sacs, order.lot = self._spm, self._sacs, self._lot

    def spm(self, segment: Segment) -> None:
        self.forget()
        self._spm, self.order = segment, None

    def sac(self, segment: Segment) -> None:
        self._sacs.append(segment)

    def inventory(self, lot: str) -> None:
        if not self.order:
            self._lot = self._lot or lot


class _ContainerFirst(_Walk):
    """OUL^R21: each order behind its own container, which no later order inherits."""

    def __init__(self) -> None:
        super().__init__()
        self.forget()

    def forget(self) -> None:
        self._sacs: list[Segment] = []
        self._substances: list[str] = []

    def end(self) -> None:
        for sac in self._sacs:
            self.doubt(sac, "a container (SAC) is followed by no order")

    def opened(self, order: Order) -> None:
        order.sacs, order.substances = self._sacs, self._substances
        if len({identifier(sac, 3) for sac in order.sacs}) > 1:
            self.doubt(order.obr, "one order names several containers (SAC)")
        self.forget()

    def spm(self, segment: Segment) -> None:
        self.doubt(segment, "an SPM stands in a message that has no place for one (OUL^R21)")

    def sac(self, segment: Segment) -> None:
        if self.order and not self.order.results:
            self.doubt(segment, "a container (SAC) stands between an order and its results")
        self._sacs.append(segment)
        self.order = None

    def substance(self, lot: str) -> None:
        (self.order.substances if self.order else self._substances).append(lot)


def specimen_number(spm: Segment) -> str:
    """Return SPM-2, an EIP: the placer's identifier is component 1, the filler's component 2."""
    for component in (1, 2):
        if number := spm.get(2, component):
            namespace = spm.get(2, component, 2)
            return f"{number}@{namespace}" if namespace else number
    return ""


def identifier(segment: Segment, field: int) -> str:
    """Return an EI; two assigners may use one number, so the namespace is part of it."""
    number, namespace = segment.get(field), segment.get(field, 2)
    return f"{number}@{namespace}" if number and namespace else number
