"""Three-valued logic (Kleene): true, false, and unknown that says what is missing."""

from typing import TypeAlias

from msgspec import Struct


class Missing(Struct, frozen=True, order=True):
    """One thing that is not known. `why` is a machine word, `text` completes a sentence.

    `why` is one of ``not ordered``, ``unreadable``, ``several``, ``no earlier``, ``no limit``,
    ``no birth date``, ``no sex``, ``no patient``, ``no time``, ``not stated``, ``censored``,
    ``not applicable``, ``not computable``, ``no preceding``, ``no control``.
    """

    name: str
    why: str
    text: str


class Unknown:
    """A truth or a value that can not be told, with everything that would be needed to tell it."""

    __slots__ = ("missing",)

    def __init__(self, *missing: Missing) -> None:
        self.missing = frozenset(missing)

    def __repr__(self) -> str:
        return f"Unknown({', '.join(self.sentences())})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Unknown) and self.missing == other.missing

    def __hash__(self) -> int:
        return hash(self.missing)

    def sentences(self) -> list[str]:
        """Return what is missing, in a fixed order."""
        return sorted({item.text for item in self.missing})


Truth: TypeAlias = bool | Unknown


def merged(*unknowns: Unknown) -> Unknown:
    """Return one unknown that misses what any of them misses."""
    result = Unknown()
    result.missing = frozenset().union(*(item.missing for item in unknowns))
    return result


def both(left: Truth, right: Truth) -> Truth:
    """Kleene *and*: one certain no settles it."""
    if left is False or right is False:
        return False
    if left is True:
        return right
    return left if right is True else merged(left, right)


def either(left: Truth, right: Truth) -> Truth:
    """Kleene *or*: one certain yes settles it."""
    if left is True or right is True:
        return True
    if left is False:
        return right
    return left if right is False else merged(left, right)


def opposite(truth: Truth) -> Truth:
    """Kleene *not*: unknown stays unknown."""
    return truth if isinstance(truth, Unknown) else not truth
