"""Abnormal flags (HL7 table 0078) and reference ranges (OBX-7) from the limit tables."""

from collections.abc import Callable
from decimal import Decimal
from typing import NamedTuple

from verifier.facts.values import Between
from verifier.language.limits import LimitRow, LimitTables, Stretch
from verifier.language.scene import Scene, shown

NOTHING = ("", "")


class _Printed(NamedTuple):
    population: str
    holds: Callable[[Decimal], bool]
    row: LimitRow
    text: str


class Flags:
    """Works out the flag and the printed reference range of a result in hand."""

    def __init__(self, tables: LimitTables) -> None:
        self._references = _rows(tables, "reference")
        self._criticals = _rows(tables, "critical")

    def of(self, test: str, scene: Scene) -> tuple[str, str]:
        """Return flag and reference range, either of them "" where the patient has no limit."""
        value = scene.result
        if not isinstance(value, Decimal | Between):
            return NOTHING
        references = _fitting(self._references.get(test, ()), scene)
        text = references[0].text if len(references) == 1 else ""
        for printed in _fitting(self._criticals.get(test, ()), scene):
            if side := _critical_side(printed, value):
                return side, text
        sides = {_reference_side(printed, value) for printed in references}
        return (sides.pop() if len(sides) == 1 else ""), text


def _rows(tables: LimitTables, kind: str) -> dict[str, tuple[_Printed, ...]]:
    return {
        test: tuple(_Printed(row.population, row.holds(), row, _range(row)) for row in rows)
        for (test, of_kind), rows in tables.rows.items()
        if of_kind == kind
    }


def _fitting(rows: tuple[_Printed, ...], scene: Scene) -> list[_Printed]:
    populations = scene.populations
    return [row for row in rows if not row.population or populations[row.population] is True]


def _critical_side(printed: _Printed, value: Decimal | Between) -> str:
    if isinstance(value, Decimal) and not printed.holds(value):
        return ""
    for part in printed.row.stretches:
        if _inside(part, value):
            return "LL" if part.low is None else "HH" if part.high is None else "AA"
    return ""


def _reference_side(printed: _Printed, value: Decimal | Between) -> str:
    """Return H, L, N, A, or "" where a censored value does not settle it."""
    if isinstance(value, Decimal) and printed.holds(value):
        return "N"
    stretches = printed.row.stretches
    if any(_inside(part, value) for part in stretches):
        return "N"
    lows, highs = [part.low for part in stretches], [part.high for part in stretches]
    highest = None if None in highs else max(high for high in highs if high is not None)
    if highest is not None and _inside(Stretch(highest, True, None, False), value):
        return "H"
    lowest = None if None in lows else min(low for low in lows if low is not None)
    if lowest is not None and _inside(Stretch(None, False, lowest, True), value):
        return "L"
    return "A" if isinstance(value, Decimal) else ""


def _inside(part: Stretch, value: Decimal | Between) -> bool:
    return part.holds(value) if isinstance(value, Decimal) else part.holds_range(value) is True


def _range(row: LimitRow) -> str:
    """Return a range as OBX-7 wants it (HL7 v2.5.1, 7.4.2.7): ``3.5-5.1``, ``<5``, ``>10``."""
    if len(row.stretches) != 1:
        return ""
    part = row.stretches[0].shown(row.present) if row.present else row.stretches[0]
    if part.low is None:
        return f"<{shown(part.high or Decimal(0), row.unit)}"
    if part.high is None:
        return f">{shown(part.low, row.unit)}"
    return f"{shown(part.low, row.unit)}-{shown(part.high, row.unit)}"
