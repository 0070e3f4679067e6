"""The second unit a laboratory may show a test in, beside the one it is judged in.

Judging, limits and what is stored stay in the declared unit; only what is shown is converted, by
an exact ratio. The number is rounded two places beyond the reported decimals, so that a value and
a limit that differ are not shown as equal.
"""

from decimal import ROUND_HALF_UP, Context, Decimal
from fractions import Fraction

from msgspec import Struct

from verifier.facts.values import Between, Number, Titer, TiterBetween, Value

_WIDE = Context(prec=60, rounding=ROUND_HALF_UP, Emax=10_000, Emin=-10_000)
_BEYOND = 2  # places further than reported ones


class Presentation(Struct, frozen=True):
    """How numbers of a test are shown: in `unit` (UCUM), reported with `decimals`.

    A number of the declared unit is multiplied by `above` and divided by `below`, whole numbers.
    """

    unit: str
    decimals: int
    above: Decimal
    below: Decimal

    @classmethod
    def of(cls, unit: str, decimals: int, ratio: Fraction) -> "Presentation":
        """Return the presentation with the exact ratio of the two units."""
        return cls(unit, decimals, Decimal(ratio.numerator), Decimal(ratio.denominator))

    def number(self, value: Decimal) -> Decimal:
        """Return a number as it is shown beside others; one that need not be converted as it is."""
        if self.above == self.below:
            return value
        rounded = self._rounded(value, self.decimals + _BEYOND)
        whole = rounded.quantize(Decimal(1).scaleb(-self.decimals), context=_WIDE)
        return whole if whole == rounded else _WIDE.normalize(rounded)

    def reported(self, value: Decimal) -> Decimal:
        """Return a number as it is reported, halves away from zero."""
        return self._rounded(value, self.decimals)

    def value(self, value: Value) -> Value:
        """Return a number or a censored one as it is shown; titers, words and gaps as they are."""
        match value:
            case Titer() | TiterBetween():
                return value
            case Number(value=number):
                return Number(self.number(number))
            case Between(low=low, high=high):
                least, most = (None if end is None else self.number(end) for end in (low, high))
                return Between(least, most, value.low_included, value.high_included)
        return value

    def _rounded(self, value: Decimal, places: int) -> Decimal:
        exact = _WIDE.divide(_WIDE.multiply(value, self.above), self.below)
        return exact.quantize(Decimal(1).scaleb(-places), context=_WIDE)
