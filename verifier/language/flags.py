"""Abnormal flags (HL7 table 0078) and reference ranges (OBX-7) from the limit tables."""

from decimal import Decimal

from verifier.facts.values import Between
from verifier.language.limits import LimitRow, LimitTables, Stretch
from verifier.language.scene import Scene, plain


class Flags:
    """Works out the flag and the printed reference range of a result in hand."""

    def __init__(self, tables: LimitTables) -> None:
        self._tables = tables
        self._texts = {
            id(row): _range(row) for (_, kind), rows in tables.rows.items() for row in rows
            if kind == "reference"
        }  # fmt: skip

    def of(self, test: str, scene: Scene) -> tuple[str, str]:
        """Return flag and reference range, either of them "" where the patient has no limit."""
        value = scene.result
        if not isinstance(value, Decimal | Between):
            return "", ""
        references = self._tables.fitting(test, "reference", scene)
        text = self._texts[id(references[0])] if len(references) == 1 else ""
        for row in self._tables.fitting(test, "critical", scene):
            if side := _critical_side(row, value):
                return side, text
        sides = {_reference_side(row, value) for row in references}
        return (sides.pop() if len(sides) == 1 else ""), text


def _critical_side(row: LimitRow, value: Decimal | Between) -> str:
    for part in row.stretches:
        if _inside(part, value):
            return "LL" if part.low is None else "HH" if part.high is None else "AA"
    return ""


def _reference_side(row: LimitRow, value: Decimal | Between) -> str:
    """Return H, L, N, or "" where a censored value does not settle it."""
    if any(_inside(part, value) for part in row.stretches):
        return "N"
    lows = [part.low for part in row.stretches]
    highs = [part.high for part in row.stretches]
    lowest = None if None in lows else min(low for low in lows if low is not None)
    highest = None if None in highs else max(high for high in highs if high is not None)
    if highest is not None and _inside(Stretch(highest, False, None, False), value):
        return "H"
    if lowest is not None and _inside(Stretch(None, False, lowest, False), value):
        return "L"
    if isinstance(value, Decimal):
        return "A"
    return ""


def _inside(part: Stretch, value: Decimal | Between) -> bool:
    return part.holds(value) if isinstance(value, Decimal) else part.holds_range(value) is True


def _range(row: LimitRow) -> str:
    """Return a range as OBX-7 wants it (HL7 v2.5.1 section 7.4.2.7): ``3.5-5.1``, ``<5``, ``>10``."""
    if len(row.stretches) != 1:
        return ""
    part = row.stretches[0]
    if part.low is None:
        return f"<{plain(part.high or Decimal(0))}"
    if part.high is None:
        return f">{plain(part.low)}"
    return f"{plain(part.low)}-{plain(part.high)}"
