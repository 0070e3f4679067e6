"""What a patient registry says: new demographics (ADT^A08, A31) and merged numbers (ADT^A40).

HL7 v2.5.1 sections 3.3.8, 3.3.31 and 3.3.40: in a merge PID-3 has the number that survives and
MRG-1 the one that does not, and PID with its MRG may repeat. A result is never changed by it; what
is still open is judged anew.
"""

from collections.abc import Iterator

from msgspec import Struct
from msgspec.structs import replace

from verifier.facts.ages import closer
from verifier.facts.persons import PREFERRED, read_patient
from verifier.facts.subjects import Patient
from verifier.hl7.faults import MISSING, SEQUENCE, AckFault
from verifier.hl7.message import Message, Segment


class Number(Struct, frozen=True):
    """A patient identifier (CX): assigning authority, identifier type, number."""

    authority: str
    kind: str
    text: str

    @property
    def keys(self) -> tuple[str, ...]:
        """The patient keys it may stand for: without a type, any type that names a person."""
        kinds = (self.kind,) if self.kind else ("", *PREFERRED)
        return tuple(f"{self.authority}^{kind}^{self.text}" for kind in kinds)


class Update(Struct, frozen=True):
    """Demographics of a patient; `patient` is as the registry names them.

    `numbers` are all of PID-3. `deleted` names what the registry says is not known any more.
    """

    patient: Patient
    numbers: tuple[Number, ...]
    deleted: tuple[str, ...] = ()


class Merge(Struct, frozen=True):
    """That the number `prior` is the same patient as `surviving`, whom `patient` describes."""

    prior: Number
    surviving: Number
    patient: Patient


def read_update(message: Message) -> Update | AckFault:
    """Return what ADT^A08 or A31 says, or what is missing in it."""
    pid = message.first("PID")
    if pid is None:
        return AckFault(SEQUENCE, "the message has no PID segment", "PID^1")
    numbers = tuple(_numbers(pid, 3)) or tuple(_numbers(pid, 2))
    if not numbers:
        return AckFault(MISSING, "PID-3 names no patient", "PID^1^3")
    named = (("birth date", 7), ("sex", 8))
    deleted = tuple(name for name, field in named if pid.is_null(field))
    return Update(read_patient(pid, None), numbers, deleted)


def read_merges(message: Message) -> tuple[Merge, ...] | AckFault:
    """Return the merges of ADT^A40 in message order, or what is missing in it."""
    merges: list[Merge] = []
    pid: Segment | None = None
    open_pid = False
    for segment in message.segments:
        if segment.name == "PID":
            if open_pid:
                break
            pid, open_pid = segment, True
        elif segment.name == "MRG":
            found = _merges(pid, segment) if pid else []
            if not found:
                field = "MRG-1" if pid and any(_numbers(pid, 3)) else "PID-3"
                return AckFault(MISSING, f"{field} names no patient", field.replace("-", "^1^"))
            merges += found
            open_pid = False
    if open_pid or not merges:
        return AckFault(SEQUENCE, "a PID segment is followed by no MRG segment", "MRG^1")
    return tuple(merges)


def _merges(pid: Segment, mrg: Segment) -> list[Merge]:
    surviving = {(number.authority, number.kind): number for number in _numbers(pid, 3)}
    patient = read_patient(pid, None)
    if not surviving:
        return []
    authority, kind, text = patient.key.split("^", 2)
    chosen = surviving.get((authority, kind), Number(authority, kind, text))
    return [
        Merge(prior, surviving.get((prior.authority, prior.kind), chosen), patient)
        for prior in _numbers(mrg, 1)
    ]


def _numbers(segment: Segment, field: int) -> Iterator[Number]:
    for rep in range(1, len(segment.repetitions(field)) + 1):
        if text := segment.get(field, rep=rep):
            yield Number(segment.get(field, 4, rep=rep), segment.get(field, 5, rep=rep), text)


def updated(known: Patient, update: Update) -> tuple[Patient, tuple[str, ...]]:
    """Return the patient with what the registry told, and why open results are in doubt now.

    What only fills a gap is no doubt. Where and how the patient was when the specimen came
    (`attributes`) stays.
    """
    told = update.patient
    doubts = [f"the registry changed the patient's {name}" for name in _changed(known, told)]
    doubts += [f"the registry deleted the patient's {name}" for name in update.deleted]
    patient = replace(
        known,
        name=told.name or known.name,
        birth=None if "birth date" in update.deleted else closer(told.birth, known.birth),
        sex="" if "sex" in update.deleted else told.sex or known.sex,
    )
    return patient, tuple(doubts)


def merged(known: Patient, key: str, told: Patient) -> Patient:
    """Return a patient under the key that survives, with gaps filled from what the registry told.

    What the registry says otherwise than known is not taken over: `merge_doubts` names it.
    """
    return replace(
        renumbered(known, key),
        name=known.name or told.name,
        birth=closer(known.birth, told.birth),
        sex=known.sex or told.sex,
    )


def renumbered(patient: Patient, key: str) -> Patient:
    """Return a patient under another key, as results are that came under a prior number."""
    return replace(patient, key=key, number=key.split("^", 2)[-1])


def merge_doubts(patients: list[Patient]) -> tuple[str, ...]:
    """Return why patients whose numbers were merged may not be one person."""
    births = {(p.birth.earliest, p.birth.latest) for p in patients if p.birth}
    sexes = {patient.sex for patient in patients if patient.sex}
    told = [("birth dates", len(births)), ("sexes", len(sexes))]
    return tuple(
        f"the registry merged two patient numbers with different {name}"
        for name, count in told
        if count > 1
    )


def _changed(known: Patient, told: Patient) -> Iterator[str]:
    if known.birth and told.birth and known.birth.contradicts(told.birth):
        yield "birth date"
    if known.sex and told.sex and known.sex != told.sex:
        yield "sex"
