"""What an expression is for the solver, and where it stands."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple

from verifier.assurance.proof.quantities import NOTHING, Quantity
from verifier.language import tree
from verifier.language.kinds import Kind


class Typed(NamedTuple):
    """A number for the solver with its kind; `constant` where it is written in a rule."""

    quantity: Quantity
    kind: Kind
    constant: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where an expression stands: `result` is the value in hand, of `test` ("" for none)."""

    test: str = ""
    result: Quantity = NOTHING
    lets: Mapping[str, Typed] = field(default_factory=dict)
    exact: bool = False


class UnencodedError(Exception):
    """A clause that has no formula; `node` is the clause, `why` a sentence."""

    def __init__(self, node: tree.Node, why: str) -> None:
        super().__init__(why)
        self.node, self.why = node, why
