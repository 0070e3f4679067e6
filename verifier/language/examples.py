"""Scenarios and guarantees as frozen values: what a rule set is expected to do, and never to do."""

from dataclasses import dataclass
from typing import TypeAlias

from verifier.language.terms import Amount, Expression, Node, Word


@dataclass(frozen=True, slots=True)
class GivenPerson(Node):
    """`woman of 40 years`."""

    word: Word
    age: Amount


@dataclass(frozen=True, slots=True)
class GivenValue(Node):
    """`potassium 5.6 mmol/L`, `potassium < 2 mmol/L`, `potassium 4.1 mmol/L 2 days before`.

    `sign` is ``=`` for an exact value; `before` is how long before this specimen an earlier result
    was collected, None for a result of this specimen.
    """

    test: Word
    sign: str
    value: Amount
    before: Amount | None


@dataclass(frozen=True, slots=True)
class GivenControl(Node):
    """`potassium out of control`."""

    test: Word
    state: str


@dataclass(frozen=True, slots=True)
class GivenSpecimen(Node):
    """`specimen plasma`."""

    type: Word


@dataclass(frozen=True, slots=True)
class GivenAttribute(Node):
    """`attribute ward "ICU"`."""

    attribute: Word
    value: str


@dataclass(frozen=True, slots=True)
class GivenPreceding(Node):
    """`preceding potassium 4.1 mmol/L`: of the specimen the analyzer measured just before."""

    test: Word
    sign: str
    value: Amount


@dataclass(frozen=True, slots=True)
class GivenSpecimenAge(Node):
    """`specimen age 9 hours`: from collection to the analysis of what this step brings."""

    age: Amount


@dataclass(frozen=True, slots=True)
class GivenNoValue(Node):
    """`potassium missing` (`text` is None) or `potassium unreadable "text"`."""

    test: Word
    text: str | None


Given: TypeAlias = (
    GivenPerson | GivenValue | GivenControl | GivenSpecimen | GivenAttribute | GivenPreceding
    | GivenSpecimenAge | GivenNoValue
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Expectation(Node):
    """`potassium held by hemolysed-potassium`, `critical not fired`.

    `what` is ``released``, ``held``, ``waits``, ``suppressed``, ``flagged``, ``fired`` or
    ``not fired``; `subjects` are tests, or the one rule; `text` is the flag.
    """

    what: str
    subjects: tuple[Word, ...]
    by: Word | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Step(Node):
    """What one message brings, so long after the first, and what is expected then."""

    after: Amount | None
    given: tuple[Given, ...]
    expected: tuple[Expectation, ...]


@dataclass(frozen=True, slots=True)
class Scenario(Node):
    name: Word
    steps: tuple[Step, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Guarantee(Node):
    """`never release potassium when …`; `tests` is None for every result."""

    name: Word
    tests: tuple[Word, ...] | None
    condition: Expression
    source: str
