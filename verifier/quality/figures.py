"""What a series of control values amounts to: mean, SD, CV, bias and sigma metric.

Standard formulas: SD with n − 1; CV = 100 SD / mean; bias = 100 (mean − target) / target; sigma =
(allowable total error − |bias|) / CV, all in percent (Westgard JO, from memory of the published
definition).
"""

from collections.abc import Sequence
from decimal import Context, Decimal, localcontext

from msgspec import Struct

PLENTY = Context(prec=60)


class Figures(Struct, frozen=True):
    """Figures of one series. `sd` and `cv` need two values; `bias` a target; `sigma` all of it.

    `mean` and `sd` are in the unit of the values, `cv` and `bias` in percent.
    """

    n: int
    mean: Decimal | None = None
    sd: Decimal | None = None
    cv: Decimal | None = None
    bias: Decimal | None = None
    sigma: Decimal | None = None


class Allowable(Struct, frozen=True):
    """An allowable total error: `percent` of the target, or `absolute` in the unit of the values.

    Where both are given the greater counts, as in the limits of proficiency testing.
    """

    percent: Decimal | None = None
    absolute: Decimal | None = None

    def at(self, target: Decimal) -> Decimal | None:
        """Return how much that is in percent of a target; None where nothing can be said."""
        found = [] if self.percent is None else [self.percent]
        if self.absolute is not None and target:
            with localcontext(PLENTY):
                found.append(100 * self.absolute / abs(target))
        return max(found, default=None)


def figures(
    values: Sequence[Decimal], target: Decimal | None = None, allowable: Decimal | None = None
) -> Figures:
    """Return the figures of a series; `allowable` is the allowable total error in percent."""
    if not values:
        return Figures(0)
    with localcontext(PLENTY):
        n = len(values)
        mean = sum(values, Decimal(0)) / n
        sd = cv = bias = sigma = None
        if n > 1:
            sd = (sum(((value - mean) ** 2 for value in values), Decimal(0)) / (n - 1)).sqrt()
            cv = 100 * sd / abs(mean) if mean else None
        if target:
            bias = 100 * (mean - target) / target
        if allowable is not None and bias is not None and cv:
            sigma = (allowable - abs(bias)) / cv
        return Figures(n, mean, sd, cv, bias, sigma)
