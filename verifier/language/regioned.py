"""Reads conditions of checked rules as regions, in the units of the quantities they compare."""

from dataclasses import replace
from decimal import Decimal

from verifier.language import regions, tree
from verifier.language.expressions import Expressions, Where
from verifier.language.meanings import meaning
from verifier.language.regions import Bounds, Key, Region
from verifier.language.stretches import extent

_MIRRORED = {">": "<", ">=": "<=", "<": ">", "<=": ">=", "=": "="}


class Regions:
    """Turns conditions into regions; only for rule sets without errors."""

    def __init__(self, expressions: Expressions) -> None:
        self._all = expressions

    def of(self, node: tree.Expression, test: str) -> Region:
        """Return the region of a condition of a rule for `test` ("" for none)."""
        match node:
            case tree.AllOf():
                return regions.every([self.of(part, test) for part in node.parts])
            case tree.AnyOf():
                return regions.some([self.of(part, test) for part in node.parts])
            case tree.Not():
                return regions.outside(self.of(node.operand, test))
            case tree.IsBetween():
                return self._between(node, test)
            case tree.Compare():
                return self._compared(node, test)
            case _:
                return regions.fact(meaning(node, test))

    def bounds(self, key: Key) -> Bounds:
        """Return what can be measured of a quantity, in the unit of its test."""
        if key[0] != "Name":
            return None, None
        rows = self._all.tables.rows.get((key[1], "measurable"), [])
        return extent([part for row in rows for part in row.stretches])

    def _between(self, node: tree.IsBetween, test: str) -> Region:
        low = node.low
        if isinstance(low, tree.Amount) and isinstance(node.high, tree.Amount):
            low = replace(low, unit=low.unit or node.high.unit)  # between 3.0 and 5.0 mmol/L
        least = tree.Compare(">=", node.operand, low, span=node.span)
        most = tree.Compare("<=", node.operand, node.high, span=node.span)
        return regions.every([self._compared(least, test), self._compared(most, test)])

    def _compared(self, node: tree.Compare, test: str) -> Region:
        left, right = (self._all.typed(side, Where(test)) for side in (node.left, node.right))
        sign, quantity = node.operator, node.left
        if left.constant is not None:
            left, right, sign, quantity = right, left, _MIRRORED[sign], node.right
        kinds = {left.kind.what, right.kind.what}
        if left.constant is None and kinds in ({"number"}, {"period"}):
            number = right.constant
            if number and kinds == {"number"}:
                number = self._all.fitted(right, left).constant
            if isinstance(number, Decimal):
                return regions.against(meaning(quantity, test), sign, number)
        return regions.fact(meaning(node, test))
