"""Quantities for the oracle: every number is an interval, every unit a power of ten and dimensions.

Arithmetic is carried to 80 digits, far beyond what the compiled program promises. Where a
comparison or a rounding then hangs on digits the language does not promise, `TooClose` is raised
and the case is no evidence for either side.
"""

from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Context, Decimal, DecimalException

from verifier.facts.values import Between, Number, Value

WIDE = Context(prec=80, Emax=10**6, Emin=-(10**6))
NARROW, FAR, SHORT, HALF = Decimal("1e-15"), Decimal("1e20"), 19, Decimal("0.5")

Truth = bool | None


class TooClose(Exception):
    """The answer depends on digits beyond the promised precision."""


@dataclass(frozen=True, slots=True)
class Unit:
    """Dimensions with their powers, and the size of the unit; `mass` is g/mol, if known."""

    powers: tuple[tuple[str, int], ...] = ()
    size: Decimal = Decimal(1)
    mass: Decimal | None = None


def _per_liter(base: str, size: str) -> Unit:
    return Unit(tuple(sorted({base: 1, "L": -1}.items())), Decimal(size))


PLAIN = Unit()
UNITS = {
    "": PLAIN,
    "%": Unit((), Decimal("0.01")),
    "mol/L": _per_liter("mol", "1"),
    "mmol/L": _per_liter("mol", "0.001"),
    "umol/L": _per_liter("mol", "0.000001"),
    "g/L": _per_liter("g", "1"),
    "mg/L": _per_liter("g", "0.001"),
    "mg/dL": _per_liter("g", "0.01"),
    "{index}": Unit((("{index}", 1),)),
    "d": Unit((("d", 1),)),
    "h": Unit((("h", 1),)),
}


def per(unit: Unit, each: str) -> Unit:
    """Return a unit for each day or hour."""
    return replace(unit, powers=tuple(sorted((*unit.powers, (each[0], -1)))))


UNITS |= {
    f"{name}/{each[0]}": per(UNITS[name], each)
    for name in ("mmol/L", "umol/L", "g/L")
    for each in ("day", "hour")
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """All that is known of a number: it lies from `low` to `high` (None: open), in `unit`.

    `literal` marks a number written in the rule, which takes the unit of what it meets.
    """

    low: Decimal | None
    high: Decimal | None
    low_in: bool
    high_in: bool
    unit: Unit
    literal: bool = False

    @property
    def exact(self) -> Decimal | None:
        """The number, if only one is possible."""
        return self.low if self.low is not None and self.low == self.high else None


def number(value: Decimal, unit: Unit, literal: bool = False) -> Quantity:
    """Return an exact number."""
    return Quantity(value, value, True, True, unit, literal)


def read(value: Value, unit: Unit) -> Quantity | None:
    """Return a stored value as a quantity, None when it is no number."""
    if isinstance(value, Number):
        return number(value.value, unit)
    if isinstance(value, Between):
        return Quantity(value.low, value.high, value.low_included, value.high_included, unit)
    return None


def converted(quantity: Quantity, unit: Unit) -> Quantity:
    """Return a quantity in another unit; mass becomes amount by the molar mass of either."""
    own = quantity.unit
    if own.powers == unit.powers:
        return _times(quantity, WIDE.divide(own.size, unit.size), unit)
    if own.powers == () and quantity.literal:
        return replace(quantity, unit=unit)  # a bare number takes the unit {index}
    mass = own.mass or unit.mass
    assert mass is not None, (own, unit)
    if dict(own.powers).get("g"):
        factor = WIDE.divide(WIDE.divide(own.size, unit.size), mass)
    else:
        factor = WIDE.divide(WIDE.multiply(own.size, mass), unit.size)
    return _times(quantity, factor, unit)


def _times(quantity: Quantity, factor: Decimal, unit: Unit) -> Quantity:
    if factor == 1:
        return replace(quantity, unit=unit)
    low = None if quantity.low is None else WIDE.multiply(quantity.low, factor)
    high = None if quantity.high is None else WIDE.multiply(quantity.high, factor)
    return Quantity(low, high, quantity.low_in, quantity.high_in, unit)


def common(left: Quantity, right: Quantity) -> tuple[Quantity, Quantity]:
    """Return both in one unit: that of the left, unless the left is a literal and the right not."""
    if left.literal and not right.literal:
        return converted(left, right.unit), right
    return left, converted(right, left.unit)


def _order(left: Decimal, right: Decimal) -> int:
    difference = WIDE.subtract(left, right)
    if difference and abs(difference) < NARROW * (1 + abs(left)):
        raise TooClose
    if not difference and min(len(end.as_tuple().digits) for end in (left, right)) > SHORT:
        raise TooClose  # equal only because neither was rounded on the way
    return (difference > 0) - (difference < 0)


def _before(left: Quantity, right: Quantity, touching: bool) -> bool:
    """Return whether all of left is below all of right; `touching` lets equal ends count."""
    if left.high is None or right.low is None:
        return False
    order = _order(left.high, right.low)
    return order < 0 or (order == 0 and (touching or not (left.high_in and right.low_in)))


def compare(sign: str, left: Quantity, right: Quantity) -> Truth:
    """Return what two quantities in any fitting units settle."""
    left, right = common(left, right)
    if sign in (">", ">="):
        return compare({">": "<", ">=": "<="}[sign], right, left)
    if sign == "=":
        if _before(left, right, False) or _before(right, left, False):
            return False
        same = left.exact is not None and right.exact is not None
        return True if same and left.exact == right.exact else None
    below = _before(left, right, sign == "<=")
    above = _before(right, left, sign == "<")
    return True if below else False if above else None


# --- arithmetic: exact numbers only; a censored one gives nothing ---


def combined(operator: str, left: Quantity, right: Quantity) -> Quantity | None:
    """Return ``left operator right``, None when it can not be computed."""
    if operator in "+-":
        left, right = common(left, right)
        unit = left.unit
    else:
        left, right, unit = _multiplied(operator, left, right)
    a, b = left.exact, right.exact
    if a is None or b is None:
        return None
    if operator == "/":
        if b == 0:
            return None
        if abs(b) < NARROW:
            raise TooClose
    work = {"+": WIDE.add, "-": WIDE.subtract, "*": WIDE.multiply, "/": WIDE.divide}[operator]
    return number(work(a, b), unit, left.literal and right.literal)


def _multiplied(operator: str, left: Quantity, right: Quantity) -> tuple[Quantity, Quantity, Unit]:
    mass = left.unit.mass or right.unit.mass
    power = 1 if operator == "*" else -1
    if (
        power < 0
        and left.unit.powers != right.unit.powers
        and {"g", "mol"} <= ({name for name, _ in (*left.unit.powers, *right.unit.powers)})
    ):
        right = converted(right, left.unit)
    powers = dict(left.unit.powers)
    for name, count in right.unit.powers:
        powers[name] = powers.get(name, 0) + power * count
    size = WIDE.multiply(left.unit.size, WIDE.power(right.unit.size, power))
    kept = tuple(sorted((name, count) for name, count in powers.items() if count))
    if kept or left.unit.powers == right.unit.powers == ():
        return left, right, Unit(kept, size, mass if kept else None)
    return _times(left, size, PLAIN), replace(right, unit=PLAIN), PLAIN


def applied(function: str, *parts: Quantity) -> Quantity | None:
    """Return a function of plain numbers, None when it can not be computed."""
    values = [converted(part, PLAIN).exact for part in parts]
    if None in values:
        return None
    try:
        made = getattr(WIDE, "power" if function == "pow" else function)(*values)
    except DecimalException:
        return None
    return number(made, PLAIN) if made.is_finite() else None


def rounded(quantity: Quantity, digits: int) -> Quantity | None:
    """Return a number rounded to `digits` decimals of its own unit, halves away from zero."""
    value = quantity.exact
    if value is None:
        return None
    if abs(value) > FAR:
        raise TooClose
    part = WIDE.remainder(value.copy_abs().scaleb(digits, WIDE), Decimal(1))
    if len(value.as_tuple().digits) > SHORT and abs(WIDE.subtract(part, HALF)) < NARROW:
        raise TooClose
    step = Decimal(1).scaleb(-digits)
    made = value.quantize(step, rounding=ROUND_HALF_UP, context=WIDE)
    return number(made, quantity.unit)
