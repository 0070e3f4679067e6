"""The values a scenario gives: exact, a range, none at all, or one that can not be read."""

from decimal import Decimal
from typing import TypeAlias

from verifier.facts.values import Absent, Between, Number, Unreadable
from verifier.language import tree

Given: TypeAlias = Number | Between | Absent | Unreadable
GivenOfTest: TypeAlias = tree.GivenValue | tree.GivenPreceding | tree.GivenNoValue


def no_value(item: tree.GivenNoValue) -> Absent | Unreadable:
    """Return what `missing` and `unreadable "text"` stand for."""
    if item.text is None:
        return Absent("empty")
    return Unreadable(item.text, f"{item.text!r} can not be read")


def ranged(sign: str, number: Decimal) -> Number | Between:
    """Return an exact value, or the range that ``< 0.2`` and its like stand for."""
    if sign == "=":
        return Number(number)
    included = sign.endswith("=")
    if sign.startswith("<"):
        return Between(None, number, high_included=included)
    return Between(number, None, low_included=included)
