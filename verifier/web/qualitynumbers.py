"""Numbers of controls as people read them."""

from decimal import Decimal

from verifier.quality.figures import PLENTY
from verifier.store.qualityrows import ControlLevel

_AS_TYPED = 6  # decimals; with more, a number was converted from another unit


def shown(number: Decimal | None, digits: int) -> str:
    """Return a number rounded for reading, a dash for none."""
    if number is None:
        return "–"
    return format(number.quantize(Decimal(1).scaleb(-digits), context=PLENTY), "f")


def digits_of(level: ControlLevel) -> int:
    """Return how many decimals figures of a level are read with: one more than the insert's.

    Where the insert was given in another unit, as many as show three digits of its SD.
    """
    digits = 1 + max(_decimals(level.mean), _decimals(level.sd))
    return digits if digits <= _AS_TYPED else max(0, 2 - level.sd.adjusted())


def brief(number: Decimal, level: ControlLevel) -> str:
    """Return a number as it was typed or sent, rounded where it was converted from another unit."""
    return shown(number, digits_of(level)) if _decimals(number) > _AS_TYPED else str(number)


def insert_of(level: ControlLevel) -> str:
    """Return mean and SD of the insert, with the unit."""
    return f"{brief(level.mean, level)} ± {brief(level.sd, level)} {level.unit}"


def _decimals(number: Decimal) -> int:
    exponent = number.as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0
