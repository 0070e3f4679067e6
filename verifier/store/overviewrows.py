"""What the overview takes from the store: counts and times of a stretch, and how big things are."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from msgspec import Struct

from verifier.facts.case import CaseRecord, State
from verifier.facts.verdicts import Decision


class SettledCount(Struct, frozen=True):
    """How many results of a test were settled: how, by whom, and which rule held them before."""

    test: str
    by_rules: bool
    state: State
    reason: str
    count: int


class HeldCount(Struct, frozen=True):
    """How many results of a test are held now under one rule."""

    test: str
    reason: str
    count: int


class Course(Struct, frozen=True):
    """A specimen with its decisions, oldest first, and when each of its results was settled."""

    record: CaseRecord
    decisions: tuple[Decision, ...]
    settled: Mapping[int, datetime]


class Courses(Struct, frozen=True):
    """Specimens first judged in a stretch: all of them, or one of every `one_of`, by chance."""

    drawn: Sequence[Course]
    one_of: int


class Destined(Struct, frozen=True):
    """The message that is next for a destination: since when, how often tried, what came of it."""

    created: datetime
    attempts: int
    answer: str
