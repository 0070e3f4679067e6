"""What an expression is: a truth, an age, or a number with a unit; and how units go together."""

from decimal import Decimal
from fractions import Fraction
from typing import Literal

from msgspec import Struct

from verifier.facts.ages import Span
from verifier.facts.presentation import Presentation
from verifier.facts.units import Dimension, read_unit
from verifier.facts.values import TITER as ONE_TO

PERIODS = {"minute": 60, "hour": 3600, "day": 86400, "week": 604800}  # seconds
SPANS: dict[str, Span] = {"day": "days", "week": "weeks", "month": "months", "year": "years"}
AGES = frozenset(SPANS)


class Kind(Struct, frozen=True):
    """The type of an expression. `bare` marks a number written without a unit.

    `molar_mass` (g/mol) is that of the test the number speaks of, so that mass and amount convert.
    `present` is how the number is shown where a site has chosen conventional units.
    """

    what: Literal["number", "truth", "age", "period", "broken"]
    unit: str = ""
    scale: Fraction = Fraction(1)
    dimension: Dimension = ()
    molar_mass: Decimal | None = None
    bare: bool = False
    present: Presentation | None = None

    @property
    def is_titer(self) -> bool:
        """Whether it is a dilution, which only dilutions are compared with."""
        return self.dimension == TITER.dimension

    @property
    def takes_bare(self) -> bool:
        """Whether a number without unit may be compared with it: ratios and plain indices."""
        return self.unit != "%" and all(name.startswith("{") for name, _ in self.dimension)


TRUTH, AGE, PERIOD, BROKEN = Kind("truth"), Kind("age"), Kind("period"), Kind("broken")
PLAIN = Kind("number")
BARE = Kind("number", bare=True)
PERCENT = Kind("number", "%", Fraction(1, 100))
TITER = Kind("number", ONE_TO, dimension=(("titer", 1),))
DAY = Kind("number", "d", Fraction(86400), (("s", 1),))
HOUR = Kind("number", "h", Fraction(3600), (("s", 1),))


def number(unit: str, molar_mass: Decimal | None = None) -> Kind | None:
    """Return the kind of a number in `unit`, None when the unit is not known."""
    if unit == ONE_TO:
        return TITER
    known = read_unit(unit)
    if known is None:
        return None
    return Kind("number", known.text, known.scale, known.dimension, molar_mass)


def ratio(source: Kind, target: Kind) -> Fraction | None:
    """Return what a number of kind `source` is multiplied by to be of kind `target`.

    None when the two do not fit together. The molar mass of either side lets mass and amount
    convert.
    """
    if source.dimension == target.dimension:
        return source.scale / target.scale
    molar_mass = target.molar_mass or source.molar_mass
    if molar_mass is None:
        return None
    left, right = _as_amount(source, molar_mass), _as_amount(target, molar_mass)
    return left.scale / right.scale if left.dimension == right.dimension else None


def product(left: Kind, right: Kind, power: int) -> Kind:
    """Return the kind of ``left * right`` (power 1) or ``left / right`` (power -1)."""
    molar_mass = left.molar_mass or right.molar_mass
    if power < 0 and left.dimension != right.dimension:
        fitting = ratio(right, left)  # creatinine / 0.9 mg/dL: bring both to one dimension first
        if fitting is not None:
            return Kind("number", scale=1 / fitting)
    powers = dict(left.dimension)
    for name, exponent in right.dimension:
        powers[name] = powers.get(name, 0) + power * exponent
    dimension = tuple(sorted((name, exponent) for name, exponent in powers.items() if exponent))
    unit = _spelled(left.unit, right.unit, power) if dimension else ""
    scale = left.scale * right.scale**power
    return Kind("number", unit, scale, dimension, molar_mass if dimension else None)


def shown(kind: Kind) -> str:
    """Return a kind in words, for a finding."""
    match kind.what:
        case "truth":
            return "a condition"
        case "age":
            return "an age"
        case "period":
            return "a time"
        case _ if kind.is_titer:
            return "a titer"
        case _:
            return kind.unit or "a number without unit"


def is_time(unit: str | None) -> bool:
    """Return whether a unit is that of a time span or an age, such as ``days``."""
    word = singular(unit or "")
    return word in PERIODS or word in AGES


def singular(word: str) -> str:
    """Return ``year`` for ``years``; other words as they are."""
    stem = word.removesuffix("s")
    return stem if stem in PERIODS or stem in AGES else word


def _spelled(left: str, right: str, power: int) -> str:
    if not right:
        return left
    sign = "." if power > 0 else "/"
    return f"{left}{sign}{right}" if left or power < 0 else right


def _as_amount(kind: Kind, molar_mass: Decimal) -> Kind:
    powers = dict(kind.dimension)
    if powers.get("g") != 1 or "mol" in powers:
        return kind
    del powers["g"]
    powers["mol"] = 1
    scale = kind.scale / Fraction(molar_mass)
    return Kind("number", kind.unit, scale, tuple(sorted(powers.items())))
