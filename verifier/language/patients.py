"""Conditions on the patient and the specimen: age, sex, specimen type, coded attributes.

Age is exact and counted on the day the specimen was taken (`facts.ages` says how). A birth date
known only to the month or year gives true or false where both ends agree. An age of up to three
days is counted in hours.
"""

from verifier.facts.ages import BY_HOURS, Span, anniversary, hours_reached
from verifier.facts.subjects import BirthDate, Patient
from verifier.language.comparing import Test
from verifier.language.scene import Scene
from verifier.language.truth import Missing, Truth, Unknown

SEXES = {"female": "F", "male": "M"}  # HL7 table 0001
_DECIDED = {"F", "M", "O", "A", "N"}  # U (unknown) and nothing decide nothing

NO_PATIENT = Unknown(Missing("patient", "no patient", "the patient is not identified"))
NO_BIRTH = Unknown(Missing("birth date", "no birth date", "the birth date is missing"))
PARTIAL_BIRTH = Unknown(
    Missing("birth date", "no birth date", "the birth date is not known to the day")
)
NO_SEX = Unknown(Missing("sex", "no sex", "the sex is not known"))


def age_reached(count: int, span: Span, wanted: bool) -> Test:
    """Return whether the age is at least so many spans (`wanted`), or less (not `wanted`)."""

    def run(scene: Scene) -> Truth:
        birth = birth_of(scene.case.patient)
        if isinstance(birth, Unknown):
            return birth
        if span == "days" and 0 < count <= BY_HOURS:
            first, last = (
                hours_reached(birth, end, scene.birthday_on, scene.case.specimen.collected, count)
                for end in (birth.earliest, birth.latest)
            )
            return (first is wanted) if first is last else PARTIAL_BIRTH
        try:
            first = anniversary(birth.earliest, count, span) <= scene.birthday_on
            last = anniversary(birth.latest, count, span) <= scene.birthday_on
        except (OverflowError, ValueError):  # past the end of the calendar
            return not wanted
        return (first is wanted) if first is last else PARTIAL_BIRTH

    return run


def birth_of(patient: Patient | None) -> BirthDate | Unknown:
    """Return the birth date, or why there is none."""
    if patient is None or not patient.key:
        return NO_PATIENT
    return patient.birth or NO_BIRTH


def sex_is(sex: str) -> Test:
    """Return whether the patient's sex is the one named; `sex` is ``F`` or ``M``."""

    def run(scene: Scene) -> Truth:
        patient = scene.case.patient
        if patient is None or not patient.key:
            return NO_PATIENT
        return patient.sex == sex if patient.sex in _DECIDED else NO_SEX

    return run


def specimen_is(kind: str) -> Test:
    """Return whether the specimen is of the type named."""
    unknown = Unknown(Missing("specimen type", "not stated", "the specimen type is not stated"))

    def run(scene: Scene) -> Truth:
        found = scene.case.specimen.type
        return found == kind if found else unknown

    return run


def attribute_is(name: str, value: str) -> Test:
    """Return whether a coded attribute of the patient or the specimen has a value."""
    unknown = Unknown(Missing(name, "not stated", f"{name} is not stated"))

    def run(scene: Scene) -> Truth:
        case = scene.case
        of_patient = case.patient.attributes if case.patient else {}
        found = of_patient.get(name) or case.specimen.attributes.get(name)
        return found == value if found else unknown

    return run
