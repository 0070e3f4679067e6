"""Who a result is about: moment, patient, specimen. Frozen values, nothing is looked up."""

from datetime import date, datetime, time
from typing import Literal

from msgspec import Struct

Precision = Literal["year", "month", "day", "hour", "minute", "second"]


class Moment(Struct, frozen=True):
    """An HL7 date/time: `at` is aware and in UTC (the start of what `precision` leaves open)."""

    at: datetime
    precision: Precision
    text: str


class BirthDate(Struct, frozen=True, omit_defaults=True):
    """A birth date that may be known only to the month or year: between two days, inclusive.

    `clock` is the time of birth where it is told, by the sender's own clock, aware where the
    offset is told as well.
    """

    earliest: date
    latest: date
    clock: time | None = None

    def contradicts(self, other: "BirthDate") -> bool:
        """Whether two messages name different days; a time told once only fills a gap."""
        return (self.earliest, self.latest) != (other.earliest, other.latest)


class Patient(Struct, frozen=True):
    """A patient as the message names them; `key` is empty when nobody is identified.

    `key` joins assigning authority, identifier type and number (HL7 CX.4, CX.5, CX.1): equal
    numbers of different authorities are different patients. `sex` is a code of HL7 table 0001,
    empty when not sent. `attributes` are coded facts such as ``ward`` or ``class``.
    """

    key: str
    number: str = ""
    name: str = ""
    birth: BirthDate | None = None
    sex: str = ""
    attributes: dict[str, str] = {}


class Specimen(Struct, frozen=True):
    """A specimen; `key` is its identifier (empty when none), `role` a code of HL7 table 0369.

    `type` is the mapped specimen type (``serum``, ``plasma`` …) or the sender's own word.
    """

    key: str
    type: str = ""
    collected: Moment | None = None
    received: Moment | None = None
    role: str = "P"
    attributes: dict[str, str] = {}
