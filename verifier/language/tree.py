"""The rule language as frozen values: what a rule file says, with the place of every part."""

from dataclasses import dataclass
from typing import TypeAlias

from verifier.language.examples import (
    Expectation,
    GivenAttribute,
    GivenControl,
    GivenNoValue,
    GivenPerson,
    GivenPreceding,
    GivenSpecimen,
    GivenSpecimenAge,
    GivenValue,
    Guarantee,
    Scenario,
    Step,
)
from verifier.language.terms import (
    Age,
    AllOf,
    Amount,
    AnyOf,
    Arithmetic,
    AttributeIs,
    Call,
    ChangedTooMuch,
    Choose,
    Compare,
    ControlIs,
    Expression,
    History,
    IsBetween,
    IsKnown,
    LimitTest,
    Name,
    Negative,
    Node,
    Not,
    Preceding,
    ReferenceChange,
    SexIs,
    SpecimenAge,
    SpecimenIs,
    TheResult,
    Word,
)

__all__ = [  # expressions and examples belong to the tree as well
    "Age",
    "AllOf",
    "Amount",
    "AnyOf",
    "Arithmetic",
    "AttributeIs",
    "Call",
    "ChangedTooMuch",
    "Choose",
    "Compare",
    "ControlIs",
    "Expectation",
    "Expression",
    "GivenAttribute",
    "GivenControl",
    "GivenNoValue",
    "GivenPerson",
    "GivenPreceding",
    "GivenSpecimen",
    "GivenSpecimenAge",
    "GivenValue",
    "Guarantee",
    "History",
    "IsBetween",
    "IsKnown",
    "LimitTest",
    "Name",
    "Negative",
    "Node",
    "Not",
    "Preceding",
    "ReferenceChange",
    "Scenario",
    "SexIs",
    "SpecimenAge",
    "SpecimenIs",
    "Step",
    "TheResult",
    "Word",
]


@dataclass(frozen=True, slots=True)
class Code(Node):
    """A code of a system: ``LN`` for LOINC, ``L`` for the laboratory's own."""

    system: str
    code: str


@dataclass(frozen=True, slots=True)
class Group(Node):
    """A name for several tests; `members` are tests, derived results or other groups."""

    name: Word
    members: tuple[Word, ...]


@dataclass(frozen=True, slots=True)
class Parameter(Node):
    """A number or a time a site may set without touching rules."""

    name: Word
    value: Amount
    source: str


@dataclass(frozen=True, slots=True)
class Population(Node):
    name: Word
    condition: Expression


@dataclass(frozen=True, slots=True)
class Conventional(Node):
    """`conventional mg/dL decimals 0`: what results are shown in where a site says so."""

    unit: Word
    decimals: int


@dataclass(frozen=True, slots=True)
class Test(Node):
    name: Word
    title: str
    codes: tuple[Code, ...]
    specimens: tuple[str, ...]
    unit: Word | None
    decimals: int | None
    conventional: Conventional | None
    molar_mass: Amount | None
    index: bool
    controlled: bool
    source: str


@dataclass(frozen=True, slots=True)
class Part(Node):
    """One stretch of values: from `low` to `high`, either of which may be open.

    An end that is a name is a parameter.
    """

    low: Amount | Name | None
    high: Amount | Name | None
    low_included: bool
    high_included: bool


@dataclass(frozen=True, slots=True)
class Row(Node):
    """One limit row: a set of values (`parts`) for a population (None is everybody).

    `specimen` is the specimen type it is for, None for every type.
    """

    kind: str
    population: Word | None
    specimen: Word | None
    parts: tuple[Part, ...]
    source: str


@dataclass(frozen=True, slots=True)
class ChangeRow(Node):
    """One change limit: at most `most` within `window`; a window that is a name is a parameter.

    `each` is ``day`` or ``hour`` where it counts for each between the collections, else "".
    """

    population: Word | None
    specimen: Word | None
    most: Amount | ReferenceChange
    each: str
    window: Amount | Name
    source: str


@dataclass(frozen=True, slots=True)
class Limits(Node):
    tests: tuple[Word, ...]
    rows: tuple[Row | ChangeRow, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Let(Node):
    name: Word
    value: Expression


@dataclass(frozen=True, slots=True)
class OnlyWhen(Node):
    """`only when … ("reason")`: where the condition is false the result does not apply."""

    condition: Expression
    reason: str


@dataclass(frozen=True, slots=True)
class Derive(Node):
    name: Word
    title: str
    unit: Word | None
    decimals: int | None
    conventional: Conventional | None
    molar_mass: Amount | None
    population: Word | None
    only_when: tuple[OnlyWhen, ...]
    lets: tuple[Let, ...]
    formula: Expression
    report: Code | None
    conventional_report: Code | None
    source: str


@dataclass(frozen=True, slots=True)
class Effect(Node):
    """`flag`, `comment`, `suppress`, `ask` or `call`, with what it says.

    `within` is the time a call has; a name is a parameter.
    """

    what: str
    text: str
    within: Amount | Name | None = None


@dataclass(frozen=True, slots=True)
class Exemption(Node):
    """`except when … ("label")`: narrows this rule only."""

    condition: Expression
    label: str


@dataclass(frozen=True, slots=True)
class Wait(Node):
    limit: Amount | Name
    tests: tuple[Word, ...]


@dataclass(frozen=True, slots=True)
class Rule(Node):
    """A rule. `tests` is None for every test; `scope` says what a true condition holds.

    `scope` is ``result``, ``specimen``, ``patient``, ``tests`` (those of `held`) or ``nothing``
    (effects only). `orders` are the tests it asks for besides.
    `unknown` is ``hold``, ``ignore`` or None where the rule does not say.
    """

    name: Word
    tests: tuple[Word, ...] | None
    excluded: tuple[Word, ...]
    scope: str
    held: tuple[Word, ...]
    condition: Expression
    unknown: str | None
    exceptions: tuple[Exemption, ...]
    because: Word
    wait: Wait | None
    effects: tuple[Effect, ...]
    orders: tuple[Word, ...]
    source: str


Declaration: TypeAlias = (
    Group | Parameter | Population | Test | Limits | Derive | Rule | Scenario | Guarantee
)  # fmt: skip
