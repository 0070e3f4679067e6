"""Units of measure, UCUM (Regenstrief Institute, https://ucum.org), as exact rational numbers.

The atoms a laboratory uses stand in a table here, exact. Any other expression is UCUM if the
UCUM parser of `ucumvert` says so, and then converts only to itself. Three things are kept apart
that plain dimensional analysis would mix, because mixing them changes a result silently:
equivalents (1 meq of a divalent ion is 0.5 mmol), osmoles, and units fixed by a biological
standard such as ``[iU]``. Annotations such as ``{1.73_m2}`` must be equal on both sides.
"""

import re
from collections.abc import Mapping
from decimal import Context, Decimal
from fractions import Fraction
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from msgspec import Struct

from verifier.facts.spellings import SPELLINGS

if TYPE_CHECKING:
    from lark import Lark

Dimension = tuple[tuple[str, int], ...]


class Unit(Struct, frozen=True):
    """An UCUM expression: canonical text, exact scale to the base units, powers of those."""

    text: str
    scale: Fraction
    dimension: Dimension


_WORKING = Context(prec=28)
_PREFIXES = MappingProxyType(
    {
        "k": Fraction(1000),
        "h": Fraction(100),
        "da": Fraction(10),
        "d": Fraction(1, 10),
        "c": Fraction(1, 100),
        "m": Fraction(1, 10**3),
        "u": Fraction(1, 10**6),
        "n": Fraction(1, 10**9),
        "p": Fraction(1, 10**12),
        "f": Fraction(1, 10**15),
    }
)  # no mega or giga: a sender that writes in capitals means milli (MU/L) or something unknown
_LITER = (Fraction(1, 1000), (("m", 3),))
_PASCAL = (Fraction(1000), (("g", 1), ("m", -1), ("s", -2)))
_METRIC: Mapping[str, tuple[Fraction, Dimension]] = MappingProxyType(
    {
        "mol": (Fraction(1), (("mol", 1),)),
        "g": (Fraction(1), (("g", 1),)),
        "m": (Fraction(1), (("m", 1),)),
        "s": (Fraction(1), (("s", 1),)),
        "K": (Fraction(1), (("K", 1),)),
        "L": _LITER,
        "l": _LITER,
        "U": (Fraction(1, 60 * 10**6), (("mol", 1), ("s", -1))),
        "kat": (Fraction(1), (("mol", 1), ("s", -1))),
        "eq": (Fraction(1), (("eq", 1),)),
        "osm": (Fraction(1), (("osm", 1),)),
        "[iU]": (Fraction(1), (("[iU]", 1),)),
        "[IU]": (Fraction(1), (("[iU]", 1),)),
        "Pa": _PASCAL,
        "m[Hg]": (_PASCAL[0] * 133322, _PASCAL[1]),
    }
)
_PLAIN: Mapping[str, tuple[Fraction, Dimension]] = MappingProxyType(
    {
        "10*": (Fraction(10), ()),
        "10^": (Fraction(10), ()),
        "%": (Fraction(1, 100), ()),
        "min": (Fraction(60), (("s", 1),)),
        "h": (Fraction(3600), (("s", 1),)),
        "d": (Fraction(86400), (("s", 1),)),
        "Cel": (Fraction(1), (("Cel", 1),)),  # has an offset to K: only compared with itself
        "[pH]": (Fraction(1), (("[pH]", 1),)),
    }
)
_COMPONENT = re.compile(
    r"(?P<atom>10[*^]|%|[A-Za-z]*\[[A-Za-z]+\]|[A-Za-z]+|[0-9]+(?![*^]))?"
    r"(?P<power>[+-]?[0-9]+)?(?P<note>\{[\x21-\x7e]*?\})?"
)
_CANONICAL = MappingProxyType({"10^": "10*", "[IU]": "[iU]"})


def parse_unit(text: str, table: Mapping[str, str] = MappingProxyType({})) -> str | None:
    """Return the canonical UCUM text of a unit as sent, None when it is not known.

    `table` is asked first: a site may say what its sender means. Nothing is guessed from case.
    """
    unit = read_unit(table.get(text, text))
    return unit.text if unit else None


@lru_cache(maxsize=1024)
def read_unit(text: str) -> Unit | None:
    """Read one unit: a common spelling, the table of atoms, or other UCUM."""
    plain = text.strip().replace("\u00b5", "u").replace("\u03bc", "u")
    if not plain or len(plain) > 64 or (plain.isdigit() and plain != "1"):
        return None
    plain = SPELLINGS.get(plain.lower(), plain)
    return _read_exact(plain) or _read_other(plain)


def dimension(unit: str) -> Dimension | None:
    """Return the powers of the base units, sorted by name; None for an unknown unit."""
    known = read_unit(unit)
    return known.dimension if known else None


def convert(
    value: Decimal,
    source: str,
    target: str,
    molar_mass: Decimal | None = None,
    charge: int | None = None,
) -> Decimal | None:
    """Return `value` of unit `source` in unit `target`, rounded once at 28 digits.

    `molar_mass` (g/mol) lets mass and amount convert, `charge` equivalents and amount. None when
    the two units do not fit together.
    """
    ratio = _ratio(source, target, molar_mass, charge)
    if ratio is None:
        return None
    return value if ratio == 1 else multiplied(value, ratio)


def multiplied(value: Decimal, ratio: Fraction) -> Decimal:
    """Return the product rounded once, at 28 digits."""
    # One rounding only: multiply exactly, then divide.
    product = value * Decimal(ratio.numerator) if len(value.as_tuple().digits) < 12 else None
    if product is not None and len(product.as_tuple().digits) < 28:
        return _WORKING.divide(product, Decimal(ratio.denominator))
    exact = Fraction(value) * ratio
    return _WORKING.divide(Decimal(exact.numerator), Decimal(exact.denominator))


def factor(
    source: str, target: str, molar_mass: Decimal | None = None, charge: int | None = None
) -> Decimal | None:
    """Return what a number in `source` is multiplied by to be in `target`, at 28 digits."""
    return convert(Decimal(1), source, target, molar_mass, charge)


@lru_cache(maxsize=4096)
def _ratio(
    source: str, target: str, molar_mass: Decimal | None, charge: int | None
) -> Fraction | None:
    left, right = read_unit(source), read_unit(target)
    if left is None or right is None:
        return None
    if left.dimension != right.dimension:
        left, right = _as_amount(left, molar_mass, charge), _as_amount(right, molar_mass, charge)
    return left.scale / right.scale if left.dimension == right.dimension else None


def _as_amount(unit: Unit, molar_mass: Decimal | None, charge: int | None) -> Unit:
    powers = dict(unit.dimension)
    for base, per_mole in (("g", molar_mass), ("eq", charge)):
        if per_mole and powers.get(base) == 1 and "mol" not in powers:
            del powers[base]
            scale = unit.scale / Fraction(per_mole)
            return Unit(unit.text, scale, tuple(sorted({**powers, "mol": 1}.items())))
    return unit


def _read_exact(text: str) -> Unit | None:
    scale, powers, canonical = Fraction(1), dict[str, int](), []
    for sign, part in _components(text):
        found = _COMPONENT.fullmatch(part)
        if found is None or not (found["atom"] or found["note"]):
            return None
        atom = _atom(found["atom"]) if found["atom"] else ("", Fraction(1), ())
        if atom is None:
            return None
        name, size, base = atom
        power = sign * int(found["power"] or 1)
        if abs(power) > 30:
            return None
        scale *= size**power
        for key, exponent in base:
            powers[key] = powers.get(key, 0) + exponent * power
        if found["note"]:
            powers[found["note"]] = powers.get(found["note"], 0) + sign
        canonical.append(("/" if sign < 0 else ".") + name + part[len(found["atom"] or "") :])
    joined = "".join(canonical).removeprefix(".")
    return Unit(joined, scale, tuple(sorted((k, v) for k, v in powers.items() if v)))


def _components(text: str) -> list[tuple[int, str]]:
    # UCUM reads from left to right: a slash divides by the next component only. Signs inside
    # braces are part of the annotation.
    parts = re.findall(r"(?:\{[^{}]*\}|[^./{}])+|[./]", text)
    if "".join(parts) != text:
        return [(1, "")]
    sign, result, expected = 1, list[tuple[int, str]](), True
    for position, part in enumerate(parts):
        if part in "./":
            if expected and not (position == 0 and part == "/"):
                return [(1, "")]
            sign, expected = (-1 if part == "/" else 1), True
        else:
            result.append((sign, part))
            expected = False
    return [(1, "")] if expected else result


def _atom(name: str) -> tuple[str, Fraction, Dimension] | None:
    if name == "1":
        return ("1", Fraction(1), ())
    if name in _PLAIN:
        return (_CANONICAL.get(name, name), *_PLAIN[name])
    for length in (0, 1, 2):
        prefix, base = name[:length], name[length:]
        if base in _METRIC and (not prefix or prefix in _PREFIXES):
            size, dimensions = _METRIC[base]
            spelled = "L" if base == "l" else _CANONICAL.get(base, base)
            return (prefix + spelled, size * _PREFIXES.get(prefix, Fraction(1)), dimensions)
    return None


def _read_other(text: str) -> Unit | None:
    """Accept what the UCUM parser accepts, as a unit that converts only to itself."""
    from lark.exceptions import LarkError

    try:
        _ucum_parser().parse(text)
    except LarkError:
        return None
    return Unit(text, Fraction(1), ((text, 1),))


@lru_cache(maxsize=1)
def _ucum_parser() -> "Lark":
    # Imported late: building the parser costs more than the rest of the start together.
    from ucumvert import get_ucum_parser

    parser: Lark = get_ucum_parser()
    return parser
