"""Values as they can be reported: one step is one in the last decimal of a test."""

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Literal

from verifier.facts.catalogue import TestDefinition
from verifier.facts.values import Number, Titer

Side = Literal["below", "at", "above"]


def number(value: Decimal, test: TestDefinition) -> Number:
    """Return an exact value of a test; of a titer a dilution."""
    return Titer(value) if test.kind == "titer" else Number(value)


def around(edge: Decimal, decimals: int | None, titer: bool = False) -> list[tuple[Side, Decimal]]:
    """Return the nearest value that can be reported below an edge, the edge, the nearest above.

    Dilutions go in doubling steps. Without `decimals` the digits of the edge count.
    """
    if titer:
        found: list[tuple[Side, Decimal]] = [("below", edge // 2)] if edge > 1 else []
        return [*found, ("at", edge), ("above", edge * 2)]
    step = step_of(edge, decimals)
    low = (edge / step).to_integral_value(ROUND_FLOOR) * step
    high = (edge / step).to_integral_value(ROUND_CEILING) * step
    below = low if low < edge else edge - step
    above = high if high > edge else edge + step
    return [("below", below.quantize(step)), ("at", edge), ("above", above.quantize(step))]


def step_of(edge: Decimal, decimals: int | None) -> Decimal:
    """Return one step in the last decimal a test is reported with."""
    exponent = edge.as_tuple().exponent
    own = max(0, -exponent) if isinstance(exponent, int) else 0
    return Decimal(1).scaleb(-(own if decimals is None else decimals))
