"""From a message to what it says about each specimen, in the sender's own words."""

import re
from collections.abc import Sequence

import msgspec

from verifier.facts.catalogue import ConnectionMap
from verifier.facts.observations import moment, read_indices, read_observation
from verifier.facts.orders import Group, Order, identifier, read_groups, specimen_number
from verifier.facts.persons import read_patient
from verifier.facts.priorities import most_urgent
from verifier.facts.report import Observation, SpecimenReport
from verifier.facts.subjects import Patient, Specimen
from verifier.hl7.message import Message

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


def read_specimens(
    message: Message, connection: ConnectionMap, doubts: Sequence[str] = ()
) -> tuple[SpecimenReport, ...]:
    """Return what a result message says, one report per patient and specimen, in message order.

    The specimen identifier is SPM-2, else SAC-3, else the order's OBR-3, OBR-2, ORC-3 or ORC-2.
    The collection time is SPM-17, else OBR-7, else OBX-14. Times without offset take that of
    MSH-7, else the zone of the connection. The priority of the orders, where one is named, is an
    attribute of the specimen: the most urgent one. `doubts` are about all of the message.
    """
    zone = _offset(message) or connection.zone
    gathered: dict[tuple[int, str], _Gathered] = {}
    for number, group in enumerate(read_groups(message)):
        patient = read_patient(group.pid, group.visit) if group.pid else None
        _share_specimens(group)
        for order in group.orders:
            specimen = _specimen(order, connection, zone)
            place = gathered.setdefault(
                (number, specimen.key),
                _Gathered(patient, specimen, [*message.doubts, *doubts, *group.doubts]),
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


def _share_specimens(group: Group) -> None:
    """Give an order without SPM the specimen of the one other order with the same identifier."""
    named: dict[str, dict[str, Order]] = {}
    for order in group.orders:
        if order.spm:
            named.setdefault(order.own_key(), {})[specimen_number(order.spm)] = order
    for order in group.orders:
        twins = named.get(order.own_key(), {})
        if order.spm is None and not order.sacs and len(twins) == 1:
            order.spm = next(iter(twins.values())).spm


def _add(place: _Gathered, order: Order, connection: ConnectionMap, zone: str) -> None:
    place.priorities.append(order.priority())
    for obx in order.results:
        observation = read_observation(obx, order.obr.index, zone)
        if observation:
            place.observations.append(observation)
    for sac in order.sacs:
        if sac.index not in place.indexed:
            place.indexed.add(sac.index)
            place.observations.extend(read_indices(sac, connection, order.obr.index))


def _specimen(order: Order, connection: ConnectionMap, zone: str) -> Specimen:
    spm, obr, sac = order.spm, order.obr, order.sacs[0] if order.sacs else None
    key = specimen_number(spm) if spm else ""
    key = key or (identifier(sac, 3) if sac else "") or order.own_key()
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
