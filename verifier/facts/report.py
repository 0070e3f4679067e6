"""What one message says, in the sender's own words; nothing is mapped or judged here."""

from msgspec import Struct

from verifier.facts.subjects import Moment, Patient, Specimen


class Observation(Struct, frozen=True):
    """One OBX. Texts are decoded; `text` is OBX-5, an SN written as ``<5``, ``1:160`` or ``2-4``.

    `segment` and `order` are the positions of the OBX and of its OBR in the message, so that the
    answer to the LIS can be written into the sender's own segments. `text` is None for an empty
    OBX-5, ``null`` is true for the HL7 null. `interference` marks an index taken from SAC-32…37
    (then `segment` is the SAC and nothing is forwarded for it).
    """

    code: str
    system: str
    name: str
    kind: str
    text: str | None
    unit: str
    status: str
    segment: int
    order: int
    null: bool = False
    repeats: int = 1
    alternate_code: str = ""
    alternate_system: str = ""
    run: str = ""
    flags: tuple[str, ...] = ()
    reference: str = ""
    observed: Moment | None = None
    analysed: Moment | None = None
    analyzer: str = ""
    interference: bool = False

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What makes two OBX the same observation of a specimen: system, code, run, analyzer."""
        return (self.system, self.code, self.run, self.analyzer)


class SpecimenReport(Struct, frozen=True):
    """All observations one message holds for one specimen of one patient.

    `doubts` are sentences that hold everything of this specimen (two patients in one group, an
    OBX before any OBR …).
    """

    patient: Patient | None
    specimen: Specimen
    observations: tuple[Observation, ...]
    doubts: tuple[str, ...] = ()
