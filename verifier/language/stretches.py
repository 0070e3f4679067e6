"""How limit rows lie to each other: whether they share a value, and which reaches further."""

from collections.abc import Iterable
from decimal import Decimal

from verifier.language.limits import LimitRow, Stretch


def extent(stretches: Iterable[Stretch]) -> tuple[Decimal | None, Decimal | None]:
    """Return the lowest and the highest end of stretches, None where they are open or none."""
    parts = list(stretches)
    lows = [part.low for part in parts]
    highs = [part.high for part in parts]
    lowest = None if None in lows else min((low for low in lows if low is not None), default=None)
    highest = None if None in highs else max((h for h in highs if h is not None), default=None)
    return lowest, highest


def reaches_outside(row: LimitRow, widest: LimitRow) -> bool:
    """Return whether an end of a row lies below or above everything in another row."""
    lowest, highest = extent(widest.stretches)
    ends = [e for part in row.stretches for e in (part.low, part.high) if e is not None]
    below = lowest is not None and any(end < lowest for end in ends)
    return below or (highest is not None and any(end > highest for end in ends))


def meet(left: LimitRow, right: LimitRow) -> bool:
    """Return whether two rows share a value."""
    return any(_overlap(a, b) for a in left.stretches for b in right.stretches)


def _overlap(left: Stretch, right: Stretch) -> bool:
    """Return whether two stretches share a value."""
    for first, second in ((left, right), (right, left)):
        low, high = first.low, second.high
        if low is None or high is None:
            continue
        if low > high or (low == high and not (first.low_included and second.high_included)):
            return False
    return True
