"""The rule language as frozen values: what a rule file says, with the place of every part."""

from dataclasses import dataclass
from decimal import Decimal
from typing import TypeAlias

from verifier.language.source import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """Anything that stands somewhere in a rule file."""

    span: Span


# --- expressions -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Amount(Node):
    """A number as written, with its unit or without."""

    value: Decimal
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Name(Node):
    """A test, a derived result, a population or a `let`."""

    name: str


@dataclass(frozen=True, slots=True)
class TheResult(Node):
    """`result`: the result being judged."""


@dataclass(frozen=True, slots=True)
class Age(Node):
    """`age`, or `age in years` as a plain number."""

    in_years: bool = False


@dataclass(frozen=True, slots=True)
class Arithmetic(Node):
    operator: str
    left: "Expression"
    right: "Expression"


@dataclass(frozen=True, slots=True)
class Negative(Node):
    operand: "Expression"


@dataclass(frozen=True, slots=True)
class Call(Node):
    function: str
    arguments: "tuple[Expression, ...]"


@dataclass(frozen=True, slots=True)
class Choose(Node):
    condition: "Expression"
    then: "Expression"
    otherwise: "Expression"


@dataclass(frozen=True, slots=True)
class History(Node):
    """`previous(potassium within 7 days)`; `test` is None for the result itself."""

    function: str
    test: str | None
    window: Amount


@dataclass(frozen=True, slots=True)
class Compare(Node):
    operator: str
    left: "Expression"
    right: "Expression"


@dataclass(frozen=True, slots=True)
class IsBetween(Node):
    operand: "Expression"
    low: "Expression"
    high: "Expression"


@dataclass(frozen=True, slots=True)
class IsKnown(Node):
    operand: "Expression"


@dataclass(frozen=True, slots=True)
class LimitTest(Node):
    """`x is critical` or `x is outside reference`; `kind` is the kind of limit row."""

    operand: "Expression"
    kind: str


@dataclass(frozen=True, slots=True)
class ChangedTooMuch(Node):
    operand: "Expression"


@dataclass(frozen=True, slots=True)
class SexIs(Node):
    sex: str


@dataclass(frozen=True, slots=True)
class SpecimenIs(Node):
    type: str


@dataclass(frozen=True, slots=True)
class AttributeIs(Node):
    attribute: str
    value: str


@dataclass(frozen=True, slots=True)
class AllOf(Node):
    parts: "tuple[Expression, ...]"


@dataclass(frozen=True, slots=True)
class AnyOf(Node):
    parts: "tuple[Expression, ...]"


@dataclass(frozen=True, slots=True)
class Not(Node):
    operand: "Expression"


Expression: TypeAlias = (
    Amount | Name | TheResult | Age | Arithmetic | Negative | Call | Choose | History | Compare
    | IsBetween | IsKnown | LimitTest | ChangedTooMuch | SexIs | SpecimenIs | AttributeIs
    | AllOf | AnyOf | Not
)  # fmt: skip


# --- statements ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Word(Node):
    """A name, a text or a unit as written."""

    text: str


@dataclass(frozen=True, slots=True)
class Code(Node):
    """A code of a system: ``LN`` for LOINC, ``L`` for the laboratory's own."""

    system: str
    code: str


@dataclass(frozen=True, slots=True)
class Population(Node):
    name: Word
    condition: Expression


@dataclass(frozen=True, slots=True)
class Test(Node):
    name: Word
    title: str
    codes: tuple[Code, ...]
    specimens: tuple[str, ...]
    unit: Word | None
    decimals: int | None
    molar_mass: Amount | None
    index: bool
    controlled: bool
    source: str


@dataclass(frozen=True, slots=True)
class Part(Node):
    """One stretch of values: from `low` to `high`, either of which may be open."""

    low: Amount | None
    high: Amount | None
    low_included: bool
    high_included: bool


@dataclass(frozen=True, slots=True)
class Row(Node):
    """One limit row: a set of values (`parts`) for a population (None is everybody)."""

    kind: str
    population: Word | None
    parts: tuple[Part, ...]
    source: str


@dataclass(frozen=True, slots=True)
class ChangeRow(Node):
    """One change limit: at most `most` within `window`."""

    population: Word | None
    most: Amount
    window: Amount
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
class Derive(Node):
    name: Word
    title: str
    unit: Word | None
    decimals: int | None
    population: Word | None
    lets: tuple[Let, ...]
    formula: Expression
    report: Code | None
    source: str


@dataclass(frozen=True, slots=True)
class Effect(Node):
    """`flag`, `comment`, `ask`, or `call`, with what it says."""

    what: str
    text: str


@dataclass(frozen=True, slots=True)
class Exemption(Node):
    """`except when … ("label")`: narrows this rule only."""

    condition: Expression
    label: str


@dataclass(frozen=True, slots=True)
class Wait(Node):
    limit: Amount
    tests: tuple[Word, ...]


@dataclass(frozen=True, slots=True)
class Rule(Node):
    """A rule. `tests` is None for every test; `scope` says what a true condition holds.

    `scope` is ``result``, ``specimen``, ``tests`` (those of `held`) or ``nothing`` (effects only).
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
    source: str


Declaration: TypeAlias = Population | Test | Limits | Derive | Rule
