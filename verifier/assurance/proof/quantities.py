"""Quantities for the solver: exactly known, known to a range, or unknown; and their comparison."""

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from verifier.assurance.proof.reals import MIRRORED, Reals, Term, Value, literal, ordered, scaled
from verifier.assurance.proof.truths import (
    TRUE,
    Bool,
    Truth,
    all_of,
    any_of,
    chosen,
    every,
    negated,
    some,
)
from verifier.language.limits import Stretch


class Range(NamedTuple):
    """The ends of a censored value; an end that is not there (`has_low`) counts as open."""

    has_low: Bool
    low: Term
    low_in: Bool
    has_high: Bool
    high: Term
    high_in: Bool


class Quantity(NamedTuple):
    """A number: `exact` where it is `value`, `ranged` where it lies in `range`, else unknown."""

    exact: Bool
    value: Value
    ranged: Bool = False
    range: Range | None = None

    @property
    def known(self) -> Bool:
        """Whether anything is known of it."""
        return some((self.exact, self.ranged))


def number(value: Decimal | Fraction) -> Quantity:
    """Return a number as written."""
    return Quantity(True, literal(value))


NOTHING = Quantity(False, literal(0))


def either(reals: Reals, condition: Truth, then: Quantity, otherwise: Quantity) -> Quantity:
    """Return one of two quantities; unknown where the condition is."""
    if condition.yes is True or condition.no is True:
        return then if condition.yes is True else otherwise
    exact = some((every((condition.yes, then.exact)), every((condition.no, otherwise.exact))))
    value = reals.choose(condition.yes, then.value, otherwise.value)
    ranged = some((every((condition.yes, then.ranged)), every((condition.no, otherwise.ranged))))
    if ranged is False:
        return Quantity(exact, value)
    first, second = then.range or otherwise.range, otherwise.range or then.range
    assert first is not None
    assert second is not None
    parts = (chosen(condition.yes, a, b) for a, b in zip(first, second, strict=True))
    return Quantity(exact, value, ranged, Range(*parts))


def converted(reals: Reals, found: Quantity, factor: Fraction) -> Quantity:
    """Return a quantity in another unit."""
    value = Value(scaled(reals.plain(found.value), factor))
    if found.value.decimals is None:
        value = Value(scaled(found.value.above, factor), found.value.below)
    if found.range is None:
        return Quantity(found.exact, value)
    ends = found.range
    moved = ends._replace(low=scaled(ends.low, factor), high=scaled(ends.high, factor))
    return Quantity(found.exact, value, found.ranged, moved)


def compare(reals: Reals, sign: str, left: Quantity, right: Quantity) -> Truth:
    """Return ``left sign right``: settled ranges are true or false, others unknown."""
    answers = []
    both = every((left.exact, right.exact))
    if both is not False:
        exact = reals.compare(sign, left.value, right.value)
        answers.append(_where(both, Truth(exact, negated(exact))))
    if left.range and left.ranged is not False and right.exact is not False:
        here = every((left.ranged, right.exact))
        answers.append(_where(here, settled(sign, left.range, reals.plain(right.value))))
    if right.range and right.ranged is not False and left.exact is not False:
        here = every((right.ranged, left.exact))
        turned = settled(MIRRORED[sign], right.range, reals.plain(left.value))
        answers.append(_where(here, turned))
    if left.range and right.range and every((left.ranged, right.ranged)) is not False:
        here = every((left.ranged, right.ranged))
        answers.append(_where(here, _apart(sign, left.range, right.range)))
    return Truth(some(a.yes for a in answers), some(a.no for a in answers))


def _where(condition: Bool, truth: Truth) -> Truth:
    return Truth(every((condition, truth.yes)), every((condition, truth.no)))


def settled(sign: str, ends: Range, limit: Term) -> Truth:
    """Return what a range settles about ``value sign limit``."""
    match sign:
        case ">":
            return Truth(_above(ends, limit), _at_most(ends, limit))
        case ">=":
            return Truth(_at_least(ends, limit), _beneath(ends, limit))
        case "<":
            return Truth(_beneath(ends, limit), _at_least(ends, limit))
        case "<=":
            return Truth(_at_most(ends, limit), _above(ends, limit))
    equal = every((_at_least(ends, limit), _at_most(ends, limit)))
    return Truth(equal, some((_above(ends, limit), _beneath(ends, limit))))


def _at_least(ends: Range, limit: Term) -> Bool:
    return every((ends.has_low, ordered(">=", ends.low, limit)))


def _at_most(ends: Range, limit: Term) -> Bool:
    return every((ends.has_high, ordered("<=", ends.high, limit)))


def _above(ends: Range, limit: Term) -> Bool:
    over, at = ordered(">", ends.low, limit), ordered(">=", ends.low, limit)
    return every((ends.has_low, some((over, every((at, negated(ends.low_in)))))))


def _beneath(ends: Range, limit: Term) -> Bool:
    under, at = ordered("<", ends.high, limit), ordered("<=", ends.high, limit)
    return every((ends.has_high, some((under, every((at, negated(ends.high_in)))))))


def _apart(sign: str, left: Range, right: Range) -> Truth:
    if sign in (">", ">="):
        return _apart(MIRRORED[sign], right, left)
    if sign == "=":
        return Truth(False, some((_below(left, right), _below(right, left))))
    return Truth(
        _below(left, right, touching=sign == "<="), _below(right, left, touching=sign == "<")
    )


def _below(left: Range, right: Range, *, touching: bool = False) -> Bool:
    apart = True if touching else negated(every((left.high_in, right.low_in)))
    lower = ordered("<", left.high, right.low)
    meeting = every((apart, ordered("=", left.high, right.low)))
    return every((left.has_high, right.has_low, some((lower, meeting))))


def inside(reals: Reals, found: Quantity, stretches: tuple[Stretch, ...]) -> Truth:
    """Return whether a quantity belongs to some stretch of values."""
    exact = every((found.exact, some(_holds(reals, found.value, part) for part in stretches)))
    outside = every(
        (found.exact, *(negated(_holds(reals, found.value, part)) for part in stretches))
    )
    if found.range is None or found.ranged is False:
        return Truth(exact, outside)
    ends = found.range
    ranged = _where(found.ranged, any_of(_holds_range(ends, part) for part in stretches))
    return Truth(some((exact, ranged.yes)), some((outside, ranged.no)))


def _holds(reals: Reals, value: Value, part: Stretch) -> Bool:
    low, high = part.low, part.high
    over = low is None or reals.compare(">=" if part.low_included else ">", value, literal(low))
    under = high is None or reals.compare("<=" if part.high_included else "<", value, literal(high))
    return every((over, under))


def _holds_range(ends: Range, part: Stretch) -> Truth:
    over = under = TRUE
    if part.low is not None:
        over = settled(">=" if part.low_included else ">", ends, Fraction(part.low))
    if part.high is not None:
        under = settled("<=" if part.high_included else "<", ends, Fraction(part.high))
    return all_of((over, under))


def worked(
    parts: tuple[Quantity, ...], value: Callable[[], Value], possible: Bool = True
) -> Quantity:
    """Return what is worked out of exact numbers, unknown where one is not or it is not possible.

    The value is only made where there can be one.
    """
    exact = every((possible, *(part.exact for part in parts)))
    return NOTHING if exact is False else Quantity(exact, value())
