"""From a message to what it says about each specimen, in the sender's own words.

ORU^R01 puts an SPM after the results of its order, OUL^R22 before the orders of a specimen (HL7
v2.5.1 sections 7.3.1 and 7.3.6). What is not in the place the standard gives it is a doubt, which
holds; nothing is assigned by guessing.
"""

import re

import msgspec

from verifier.facts.catalogue import ConnectionMap
from verifier.facts.observations import moment, read_indices, read_observation
from verifier.facts.persons import read_patient
from verifier.facts.priorities import most_urgent, priority_of
from verifier.facts.report import Observation, SpecimenReport
from verifier.facts.subjects import Patient, Specimen
from verifier.hl7.message import Message, Segment

_OFFSET = re.compile(r"[+-][0-9]{4}\Z")

# HL7 tables 0487 (SPM-4) and 0070 (OBR-15), the ones chemistry and hematology meet.
SPECIMEN_TYPES = {
    "SER": "serum",
    "PLAS": "plasma",
    "PPP": "plasma",
    "BLD": "whole blood",
    "BLDA": "arterial blood",
    "BLDV": "venous blood",
    "BLDC": "capillary blood",
    "CSF": "cerebrospinal fluid",
    "UR": "urine",
    "UR24H": "urine",
    "URT": "urine",
}

_OF_CONTROL = {
    "",
    "CO",
}  # INV-3, table 0384; where it says nothing, INV beside a control is its own


class _Order:
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
        """The most urgent of TQ1-9, OBR-27, ORC-7 and the older OBR-5."""
        codes = [timing.get(9) for timing in self.timings]
        codes += [self.obr.get(27, 6), self.orc.get(7, 6) if self.orc else "", self.obr.get(5)]
        return most_urgent(map(priority_of, codes))

    def own_key(self) -> str:
        """The identifier without SPM and SAC: OBR-3, OBR-2, ORC-3, ORC-2, the first there is."""
        for segment in (self.obr, self.orc):
            for field in (3, 2):
                if segment and (found := _identifier(segment, field)):
                    return found
        return ""


class _Group:
    """One PID, or none, with its orders."""

    def __init__(self, pid: Segment | None) -> None:
        self.pid = pid
        self.visit: Segment | None = None
        self.orders: list[_Order] = []
        self.doubts: list[str] = []


class _Gathered:
    """What is known of one specimen while the orders are walked."""

    def __init__(self, patient: Patient | None, specimen: Specimen, doubts: list[str]) -> None:
        self.patient, self.specimen, self.doubts = patient, specimen, doubts
        self.observations: list[Observation] = []
        self.indexed: set[int] = set()
        self.priorities: list[str] = []

    def report(self) -> SpecimenReport:
        specimen, urgent = self.specimen, most_urgent(self.priorities)
        if urgent:
            attributes = {**specimen.attributes, "priority": urgent}
            specimen = msgspec.structs.replace(specimen, attributes=attributes)
        return SpecimenReport(self.patient, specimen, tuple(self.observations), tuple(self.doubts))


def read_specimens(message: Message, connection: ConnectionMap) -> tuple[SpecimenReport, ...]:
    """Return what a result message says, one report per patient and specimen, in message order.

    The specimen identifier is SPM-2, else SAC-3, else the order's OBR-3, OBR-2, ORC-3 or ORC-2.
    The collection time is SPM-17, else OBR-7, else OBX-14. Times without offset take that of
    MSH-7, else the zone of the connection. The priority of the orders, where one is named, is an
    attribute of the specimen: the most urgent one.
    """
    zone = _offset(message) or connection.zone
    gathered: dict[tuple[int, str], _Gathered] = {}
    for number, group in enumerate(_groups(message)):
        patient = read_patient(group.pid, group.visit) if group.pid else None
        _share_specimens(group)
        for order in group.orders:
            specimen = _specimen(order, connection, zone)
            place = gathered.setdefault(
                (number, specimen.key),
                _Gathered(patient, specimen, [*message.doubts, *group.doubts]),
            )
            _add(place, order, connection, zone)
    return _reports(gathered)


def _reports(gathered: dict[tuple[int, str], _Gathered]) -> tuple[SpecimenReport, ...]:
    patients: dict[str, set[str]] = {}
    for (_, key), item in gathered.items():
        patients.setdefault(key, set()).add(item.patient.key if item.patient else "")
    for (_, key), item in gathered.items():
        if key and len(patients[key]) > 1:
            item.doubts.append(f"one message gives specimen {key} to several patients")
    return tuple(item.report() for item in gathered.values())


def _groups(message: Message) -> list[_Group]:
    specimen_first = message.type == "OUL"
    groups, orc = [_Group(None)], None
    spm: Segment | None = None
    sacs: list[Segment] = []
    lot = ""
    order: _Order | None = None
    for segment in message.segments:
        group = groups[-1]
        match segment.name:
            case "OBX" if order:
                order.results.append(segment)
            case "OBX":
                group.doubts.append(f"segment {segment.index + 1}: an OBX stands before any OBR")
            case "PID":
                groups.append(_next_group(group, segment))
                order = orc = spm = None
                sacs, lot = [], ""
            case "PV1":
                group.visit = segment
            case "ORC" if specimen_first and order and not order.orc:
                order.orc = segment
            case "ORC":
                orc = segment
            case "OBR":
                order = _Order(segment, orc)
                orc = None
                if specimen_first:
                    order.spm, order.sacs, order.lot = spm, sacs, lot
                group.orders.append(order)
            case "SPM" if specimen_first:
                spm, sacs, lot, order = segment, [], "", None
            case "SPM" if order:
                _attach(group, order, segment)
            case "SPM":
                group.doubts.append(
                    f"segment {segment.index + 1}: an SPM stands before any OBR, so it is not "
                    "certain which results belong to which specimen"
                )
            case "SAC" if specimen_first:
                sacs.append(segment)
            case "SAC" if order:
                order.sacs.append(segment)
            case "INV" if segment.get(3) in _OF_CONTROL and not order:
                lot = lot or segment.get(16)
            case "INV" if segment.get(3) in _OF_CONTROL and order and not specimen_first:
                order.lot = order.lot or segment.get(16)
            case "TQ1" if order:
                order.timings.append(segment)
            case "SID" if order and segment.get(2):
                order.substances.append(segment.get(2))
    return groups


def _next_group(before: _Group, pid: Segment) -> _Group:
    group = _Group(pid)
    if before.pid and not before.orders:
        group.doubts.append("two patients (PID) stand before one order")
    return group


def _attach(group: _Group, order: _Order, spm: Segment) -> None:
    if order.spm and _specimen_number(order.spm) != _specimen_number(spm):
        group.doubts.append("one order names several specimens (SPM)")
    order.spm = order.spm or spm


def _share_specimens(group: _Group) -> None:
    """Give an order without SPM the specimen of the one other order with the same identifier."""
    named: dict[str, dict[str, _Order]] = {}
    for order in group.orders:
        if order.spm:
            named.setdefault(order.own_key(), {})[_specimen_number(order.spm)] = order
    for order in group.orders:
        twins = named.get(order.own_key(), {})
        if order.spm is None and not order.sacs and len(twins) == 1:
            order.spm = next(iter(twins.values())).spm


def _add(place: _Gathered, order: _Order, connection: ConnectionMap, zone: str) -> None:
    place.priorities.append(order.priority())
    for obx in order.results:
        observation = read_observation(obx, order.obr.index, zone)
        if observation:
            place.observations.append(observation)
    for sac in order.sacs:
        if sac.index not in place.indexed:
            place.indexed.add(sac.index)
            place.observations.extend(read_indices(sac, connection, order.obr.index))


def _specimen(order: _Order, connection: ConnectionMap, zone: str) -> Specimen:
    spm, obr, sac = order.spm, order.obr, order.sacs[0] if order.sacs else None
    key = _specimen_number(spm) if spm else ""
    key = key or (_identifier(sac, 3) if sac else "") or order.own_key()
    role = (spm.get(11) if spm else "") or (sac.get(6, 7) if sac else "") or obr.get(15, 7) or "P"
    if any(key.startswith(mark) for mark in connection.controls):
        role = "Q"
    lots = {"lot": order.lot, "substance lots": " ".join(order.substances)} if role == "Q" else {}
    word = (spm.get(4) if spm else "") or (sac.get(6) if sac else "") or obr.get(15)
    return Specimen(
        key=key,
        type=connection.specimens.get(word) or SPECIMEN_TYPES.get(word, word),
        collected=(moment(spm.get(17), zone) if spm else None)
        or moment(obr.get(7), zone)
        or next((found for obx in order.results if (found := moment(obx.get(14), zone))), None),
        received=(moment(spm.get(18), zone) if spm else None) or moment(obr.get(14), zone),
        role=role,
        attributes={name: told for name, told in lots.items() if told},
    )


def _offset(message: Message) -> str:
    # MSH-7's offset is the default of the whole message (HL7 v2.5.1 section 2.15.9.7).
    found = _OFFSET.search(message.header.get(7))
    return found[0] if found else ""


def _specimen_number(spm: Segment) -> str:
    # EIP: the placer's identifier is component 1, the filler's component 2.
    for component in (1, 2):
        if number := spm.get(2, component):
            namespace = spm.get(2, component, 2)
            return f"{number}@{namespace}" if namespace else number
    return ""


def _identifier(segment: Segment, field: int) -> str:
    # EI: two assigners may use one number, so the namespace is part of the key.
    number, namespace = segment.get(field), segment.get(field, 2)
    return f"{number}@{namespace}" if number and namespace else number
