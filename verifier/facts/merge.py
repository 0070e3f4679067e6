"""What a further message does to a case: new, repeated, replaced, corrected, withdrawn results.

The standard has no table of moves between result statuses (HL7 table 0085), only sentences: a
final result is changed by a correction (C) alone, W says it was wrong, D deletes it. Every other
way a final value may change is taken in and held.
"""

from collections.abc import Iterator
from datetime import datetime

import msgspec

from verifier.facts.ages import closer
from verifier.facts.case import LEFT, CaseRecord, Entry
from verifier.facts.priorities import most_urgent
from verifier.facts.report import Observation, SpecimenReport
from verifier.facts.subjects import Patient, Specimen

FINAL = frozenset({"F", "C"})
GONE = frozenset({"W", "D"})
_EXPECTED = {  # the statuses that may follow, per status before
    "F": frozenset({"C", "W", "D"}),
    "C": frozenset({"C", "W", "D"}),
    "W": frozenset({"C", "F", "D"}),
    "D": frozenset[str](),
    "X": frozenset({"P", "R", "I", "W", "D"}),
}


def merge(
    record: CaseRecord | None,
    report: SpecimenReport,
    *,
    connection: str,
    message: int,
    arrived: datetime,
) -> CaseRecord:
    """Return the case with what `report` adds. Entries keep their index for ever.

    A repeated result adds nothing. A replaced entry becomes ``superseded`` and the new one tells
    `previous`, and `corrects` when what it replaces has left. A withdrawal is an entry with state
    ``withdrawn``; `corrects` then says that the LIS must be told.
    """
    entries = list(record.entries) if record else []
    standing: dict[tuple[str, str, str, str], list[int]] = {}
    for at, entry in enumerate(entries):
        if entry.state != "superseded":
            standing.setdefault(entry.observation.key, []).append(at)
    seen: set[tuple[str, str, str, str]] = set()
    for observation in report.observations:
        key = observation.key
        places = standing.setdefault(key, [])
        if not any(same(entries[at].observation, observation) for at in places):
            entry = Entry(observation, connection, message, arrived)
            if key in seen:
                _add_twin(entries, places, entry)
            elif places:
                _replace(entries, places, entry)
                places.clear()
            else:
                entries.append(_first(entry))
            places.append(len(entries) - 1)
        seen.add(key)
    if record is None:
        doubts = report.doubts
        return CaseRecord(report.specimen, report.patient, tuple(entries), arrived, doubts)
    return CaseRecord(
        _joined_specimen(record.specimen, report.specimen),
        _joined_patient(record.patient, report.patient),
        tuple(entries),
        record.opened,
        tuple(dict.fromkeys((*record.doubts, *report.doubts, *_differences(record, report)))),
    )


def same(before: Observation, after: Observation) -> bool:
    """Whether two observations say the same: value, unit, status and flags."""
    return (
        before.text == after.text
        and before.unit == after.unit
        and before.status == after.status
        and before.null == after.null
        and before.flags == after.flags
        and before.kind == after.kind
        and before.repeats == after.repeats
    )


def _first(entry: Entry) -> Entry:
    status = entry.observation.status
    if status in GONE:
        return msgspec.structs.replace(entry, state="withdrawn")
    if status == "C":
        doubt = "it is sent as a correction, but the result it corrects was never received"
        return msgspec.structs.replace(entry, doubts=(doubt,))
    return entry


def _add_twin(entries: list[Entry], places: list[int], entry: Entry) -> None:
    doubt = "one message gives this result several times, with different content"
    for at in places:
        entries[at] = _with_doubt(entries[at], doubt)
    entries.append(_with_doubt(_first(entry), doubt))


def _replace(entries: list[Entry], places: list[int], entry: Entry) -> None:
    standing = [entries[at] for at in places]
    for at in places:
        entries[at] = msgspec.structs.replace(entries[at], state="superseded")
    before = standing[-1].observation
    status = entry.observation.status
    doubt = _doubt(before.status, status)
    entries.append(
        msgspec.structs.replace(
            entry,
            state="withdrawn" if status in GONE else "open",
            doubts=(doubt,) if doubt else (),
            previous=_shown(before),
            # Once a value has left, every later one corrects it, whatever came between.
            corrects=any(was.state in LEFT or was.corrects for was in standing),
        )
    )


def _doubt(before: str, after: str) -> str:
    expected = _EXPECTED.get(before)
    if expected is None:  # preliminary, or no status of the table: anything but a correction
        if after == "C":
            return "it is sent as a correction of a result that was not final"
        return ""
    if after in expected:
        return ""
    if before in FINAL and after in FINAL:
        return "a final result was changed without being sent as a correction"
    if before in FINAL:
        return f"a final result was followed by status {after or 'none'}"
    return f"a result with status {before} was followed by status {after or 'none'}"


def _with_doubt(entry: Entry, doubt: str) -> Entry:
    doubts = tuple(dict.fromkeys((*entry.doubts, doubt)))
    return msgspec.structs.replace(entry, doubts=doubts)


def _shown(observation: Observation) -> str:
    return f"{observation.text or ''} {observation.unit}".strip()


def _joined_specimen(before: Specimen, after: Specimen) -> Specimen:
    """Fill in what was not known; of two collection times the first one told stays."""
    return msgspec.structs.replace(
        before,
        type=before.type or after.type,
        collected=before.collected or after.collected,
        received=before.received or after.received,
        role=before.role if before.role != "P" else after.role,
        attributes=_joined_attributes(before.attributes, after.attributes),
    )


def _joined_attributes(before: dict[str, str], after: dict[str, str]) -> dict[str, str]:
    said = (before.get("priority", ""), after.get("priority", ""))
    urgent = {"priority": word} if (word := most_urgent(said)) else {}
    return {**after, **before, **urgent}


def _joined_patient(before: Patient | None, after: Patient | None) -> Patient | None:
    if before is None or not before.key:
        return after or before
    if after is None or after.key != before.key:
        return before
    return msgspec.structs.replace(
        after,
        name=after.name or before.name,
        birth=closer(after.birth, before.birth),
        sex=after.sex or before.sex,
        attributes={**before.attributes, **after.attributes},
    )


def identity_doubts(before: Patient | None, after: Patient | None) -> tuple[str, ...]:
    """Return why the patient of a new specimen may not be the one known under the same number."""
    if before is None or after is None or not after.key or before.key != after.key:
        return ()
    if before.birth and after.birth and before.birth.contradicts(after.birth):
        return ("the patient's number was seen before with another birth date",)
    if before.sex and after.sex and before.sex != after.sex:
        return ("the patient's number was seen before with another sex",)
    return ()


def _differences(record: CaseRecord, report: SpecimenReport) -> Iterator[str]:
    key = record.specimen.key
    before, after = record.patient, report.patient
    if before and after:
        if before.key and after.key and before.key != after.key:
            yield f"specimen {key} was sent before for another patient"
        elif before.birth and after.birth and before.birth.contradicts(after.birth):
            yield f"specimen {key} was sent before with another birth date"
        elif before.sex and after.sex and before.sex != after.sex:
            yield f"specimen {key} was sent before with another sex"
    old, new = record.specimen.type, report.specimen.type
    if old and new and old != new:
        yield f"specimen {key} was sent before as {old}, now as {new}"
    if record.specimen.role != report.specimen.role:
        yield f"specimen {key} was sent with two roles"
