"""What a result can be: a number, a range it must lie in, words, nothing, or something unreadable.

Numbers are exact decimals. A censored result such as ``<0.2`` is a range, never a number.
"""

from decimal import Decimal
from typing import Literal, TypeAlias

from msgspec import Struct

TITER = "1:"  # what stands before the reciprocal of a dilution, and in place of its unit


class Number(Struct, frozen=True, tag="number"):
    """An exact number, in the unit that stands beside it."""

    value: Decimal


class Between(Struct, frozen=True, tag="between"):
    """A censored number: known to lie between two bounds, either of which may be open.

    ``<0.2`` is ``Between(None, Decimal("0.2"), False, False)``; ``>=1000`` is
    ``Between(Decimal(1000), None, True, False)``.
    """

    low: Decimal | None
    high: Decimal | None
    low_included: bool = False
    high_included: bool = False


class Titer(Number, frozen=True, tag="titer"):
    """A dilution such as ``1:160``, kept as its reciprocal: 1:160 is above 1:80."""


class TiterBetween(Between, frozen=True, tag="titer between"):
    """A censored dilution such as ``<1:10``; the bounds are reciprocals."""


class Words(Struct, frozen=True, tag="words"):
    """A text or coded result; `code` is empty for plain text."""

    text: str
    code: str = ""


class Absent(Struct, frozen=True, tag="absent"):
    """No value: OBX-5 empty, or the HL7 null ``""`` (HL7 v2.5.1 section 2.5.3)."""

    why: Literal["empty", "null"]


class Unreadable(Struct, frozen=True, tag="unreadable"):
    """A value that should be a number and is not; `why` is a sentence for a person."""

    text: str
    why: str


Value: TypeAlias = Number | Titer | Between | TiterBetween | Words | Absent | Unreadable
