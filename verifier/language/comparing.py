"""Exact comparison of numbers and censored values, three-valued."""

import operator
from collections.abc import Callable
from decimal import Decimal

from verifier.facts.presentation import Presentation
from verifier.facts.values import TITER, Between, TiterBetween
from verifier.language.scene import (
    COMPARISON,
    Known,
    Quantity,
    Scene,
    between_text,
    shown,
    unusable,
)
from verifier.language.truth import Missing, Truth, Unknown

Run = Callable[[Scene], Quantity]
Test = Callable[[Scene], Truth]

_EXACT: dict[str, Callable[[Decimal, Decimal], bool]] = {
    ">": operator.gt,
    ">=": operator.ge,
    "<": operator.lt,
    "<=": operator.le,
    "=": operator.eq,
}
MIRRORED = {">": "<", ">=": "<=", "<": ">", "<=": ">=", "=": "="}


def comparison(
    sign: str,
    left: Run,
    right: Run,
    label: str,
    present: Presentation | None = None,
    *,
    worked: bool = False,
) -> Test:
    """Return the comparison of two quantities; `label` names the left side in an unknown.

    `present` is how their numbers are shown there. Numbers that were `worked` out are compared at
    20 digits.
    """
    exact = _rounded(_EXACT[sign]) if worked else _EXACT[sign]

    def compare(scene: Scene) -> Truth:
        a, b = left(scene), right(scene)
        if a.__class__ is Decimal and b.__class__ is Decimal:
            return exact(a, b)
        return _compare(sign, a, b, label, present)

    return compare


def comparison_with(
    sign: str,
    left: Run,
    limit: Decimal,
    label: str,
    present: Presentation | None = None,
    *,
    worked: bool = False,
) -> Test:
    """Return the comparison of a quantity with a fixed limit."""
    exact = _rounded(_EXACT[sign]) if worked else _EXACT[sign]

    def compare(scene: Scene) -> Truth:
        value = left(scene)
        if value.__class__ is Decimal:
            return exact(value, limit)
        return _compare(sign, value, limit, label, present)

    return compare


def _rounded(exact: Callable[[Decimal, Decimal], bool]) -> Callable[[Decimal, Decimal], bool]:
    return lambda left, right: exact(COMPARISON.plus(left), COMPARISON.plus(right))


def settled(sign: str, value: Between, limit: Decimal) -> bool | None:
    """Return what the range settles about ``value sign limit``, None when it lies across."""
    low, high = value.low, value.high
    above = low is not None and (low > limit or (low == limit and not value.low_included))
    below = high is not None and (high < limit or (high == limit and not value.high_included))
    at_least = above or (low is not None and low >= limit)
    at_most = below or (high is not None and high <= limit)
    yes, no = {
        ">": (above, at_most),
        ">=": (at_least, below),
        "<": (below, at_least),
        "<=": (at_most, above),
        "=": (at_least and at_most, above or below),
    }[sign]
    return True if yes else False if no else None


def settled_apart(sign: str, left: Between, right: Between) -> bool | None:
    """Return what two ranges settle about ``left sign right``, None when they overlap."""
    if sign in (">", ">="):
        return settled_apart(MIRRORED[sign], right, left)
    if sign == "=":
        return False if _below(left, right) or _below(right, left) else None
    if _below(left, right, touching=sign == "<="):
        return True
    return False if _below(right, left, touching=sign == "<") else None


def _below(left: Between, right: Between, touching: bool = False) -> bool:
    """Return whether all of `left` lies below all of `right`; `touching` lets ends be equal."""
    if left.high is None or right.low is None:
        return False
    apart = touching or not (left.high_included and right.low_included)
    return left.high < right.low or (apart and left.high == right.low)


def _compare(
    sign: str, left: Quantity, right: Quantity, label: str, present: Presentation | None
) -> Truth:
    if isinstance(left, Unknown) or isinstance(right, Unknown):
        return unusable(label, left, right)
    if isinstance(left, Between) and isinstance(right, Decimal):
        found, censored, limit = settled(sign, left, right), left, right
    elif isinstance(right, Between) and isinstance(left, Decimal):
        found, censored, limit = settled(MIRRORED[sign], right, left), right, left
    else:
        assert isinstance(left, Between)
        assert isinstance(right, Between)
        apart = settled_apart(sign, left, right)
        other = shown_text(right, present)
        return across(label, left, other, present) if apart is None else apart
    unit = TITER if isinstance(censored, TiterBetween) else ""
    if found is not None:
        return found
    return across(label, censored, shown_text(limit, present, unit), present)


def shown_text(value: Known, present: Presentation | None, unit: str = "") -> str:
    """Return a number or range without its unit, converted to the one it is shown in."""
    if isinstance(value, Decimal):
        return shown(present.number(value) if present else value, unit)
    converted = present.value(value) if present else value
    assert isinstance(converted, Between)
    return between_text(converted)


def across(label: str, value: Between, limit: str, present: Presentation | None = None) -> Unknown:
    """Return the unknown of a censored value that lies on both sides of a limit."""
    text = f"{label} {shown_text(value, present)} may lie on either side of {limit}"
    return Unknown(Missing(label, "censored", text))
