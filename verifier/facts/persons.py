"""The patient as PID and PV1 name them."""

from verifier.facts.ages import parse_birth
from verifier.facts.subjects import Patient
from verifier.hl7.message import Segment

# Identifier types (HL7 table 0203) that name a person in one place, in order of preference.
PREFERRED = ("MR", "PI", "PT")


def read_patient(pid: Segment, visit: Segment | None) -> Patient:
    """Return the patient; `key` is empty when PID-3 (or the older PID-2) names nobody.

    Equal numbers under different assigning authorities are different patients (CX.4, HL7 v2.5.1
    section 2.A.14).
    """
    field, repetition = _chosen(pid)
    number = pid.get(field, rep=repetition)
    parts = (pid.get(field, 4, rep=repetition), pid.get(field, 5, rep=repetition), number)
    return Patient(
        key="^".join(parts) if number else "",
        number=number,
        name=", ".join(part for part in (pid.get(5), pid.get(5, 2)) if part),
        birth=parse_birth(pid.get(7)),
        sex=pid.get(8).strip().upper(),
        attributes=_attributes(visit),
    )


def _chosen(pid: Segment) -> tuple[int, int]:
    """Return field and repetition of the identifier to use: by type, else the first there is."""
    count = len(pid.repetitions(3))
    filled = [rep for rep in range(1, count + 1) if pid.get(3, rep=rep)]
    for kind in PREFERRED:
        for rep in filled:
            if pid.get(3, 5, rep=rep) == kind:
                return (3, rep)
    return (3, filled[0]) if filled else (2, 1)


def _attributes(visit: Segment | None) -> dict[str, str]:
    if visit is None:
        return {}
    found = {"class": visit.get(2), "ward": visit.get(3)}
    return {name: value for name, value in found.items() if value}
