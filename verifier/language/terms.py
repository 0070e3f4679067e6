"""Expressions as frozen values: what stands in a condition or a formula, with its place."""

from dataclasses import dataclass
from decimal import Decimal
from typing import TypeAlias

from verifier.language.source import Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """Anything that stands somewhere in a rule file."""

    span: Span


@dataclass(frozen=True, slots=True)
class Word(Node):
    """A name, a text or a unit as written."""

    text: str


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
class SpecimenAge(Node):
    """`specimen age`: from collection to analysis."""


@dataclass(frozen=True, slots=True)
class Preceding(Node):
    """`preceding(potassium)`; `test` is None for the test of the result itself."""

    test: str | None


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
    """`previous(potassium within 7 days)`; `test` is None for the result itself.

    `function` is as written: ``previous``, ``percent change``, ``rate per day`` and so on. A
    `window` that is a name is a parameter.
    """

    function: str
    test: str | None
    window: Amount | Name


@dataclass(frozen=True, slots=True)
class ReferenceChange(Node):
    """`rcv(analytical 1.6 %, within-subject 4.6 %, 95 % one-sided)`.

    `lognormal` marks the form with a wider limit up than down, which only a limit row can have.
    """

    analytical: Amount
    within_subject: Amount
    level: Amount
    one_sided: bool = False
    lognormal: bool = False


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
class ControlIs(Node):
    """`x is in control`; `state` is ``in control`` or ``out of control``."""

    operand: "Expression"
    state: str


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
    Amount | Name | TheResult | Age | Arithmetic | Negative | Call | Choose | History
    | ReferenceChange | Compare | IsBetween | IsKnown | LimitTest | ChangedTooMuch | SexIs
    | SpecimenIs | AttributeIs | AllOf | AnyOf | Not | SpecimenAge | Preceding | ControlIs
)  # fmt: skip
