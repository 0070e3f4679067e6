"""Units against UCUM as `ucumvert` and `pint` read it, and against published factors."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ucumvert import PintUcumRegistry

from verifier.facts.units import convert, dimension, factor, parse_unit, read_unit

REGISTRY = PintUcumRegistry()

COMMON = [
    "mol/L", "mmol/L", "umol/L", "nmol/L", "pmol/L", "g/L", "g/dL", "mg/dL", "mg/L", "ug/dL",
    "ug/L", "ug/mL", "ng/mL", "pg/mL", "U/L", "mU/L", "U/mL", "ukat/L", "nkat/L", "10*9/L",
    "10*12/L", "10*3/uL", "10*6/uL", "/uL", "L/L", "%", "fL", "pg", "mg/g", "mg/mmol", "g/mol",
    "mmol/mol", "mL/min", "mL/s", "s", "min", "h", "d", "kPa", "mm[Hg]", "kg/m2", "mm/h", "g/(L)",
    "umol/s", "10*-3", "g.m/s2", "cL", "hL", "daL", "[iU]/L", "k[iU]/L", "meq/L", "mosm/kg",
]  # fmt: skip
KEPT_APART = {"[iU]", "eq", "osm"}

# Factors to the digits of Young, Ann Intern Med 1987;106:114 (quoted from memory); molar masses
# from the IUPAC abridged atomic weights of 2021.
PUBLISHED = [
    ("glucose", "mg/dL", "mmol/L", "180.156", "0.05551"),
    ("urea nitrogen", "mg/dL", "mmol/L", "28.014", "0.3570"),
    ("creatinine", "mg/dL", "umol/L", "113.120", "88.40"),
    ("urate", "mg/dL", "umol/L", "168.112", "59.48"),
    ("bilirubin", "mg/dL", "umol/L", "584.673", "17.10"),
    ("calcium", "mg/dL", "mmol/L", "40.078", "0.2495"),
    ("magnesium", "mg/dL", "mmol/L", "24.305", "0.4114"),
    ("phosphorus", "mg/dL", "mmol/L", "30.974", "0.3229"),
    ("cholesterol", "mg/dL", "mmol/L", "386.664", "0.02586"),
    ("triglycerides", "mg/dL", "mmol/L", "885.4", "0.01129"),
    ("iron", "ug/dL", "umol/L", "55.845", "0.1791"),
    ("lactate", "mg/dL", "mmol/L", "90.078", "0.1110"),
    ("digoxin", "ng/mL", "nmol/L", "780.949", "1.28"),
]


@pytest.mark.parametrize("unit", [u for u in COMMON if u != "g/(L)"])
def test_the_scale_is_that_of_ucum(unit: str) -> None:
    known = read_unit(unit)
    assert known is not None
    ours = float(known.scale)
    theirs = REGISTRY.from_ucum(unit).to_base_units()
    # Our base of mass is the gram, theirs the kilogram. One conventional constant differs: the
    # UCUM table has 133.322 Pa for the millimeter of mercury, pint 133.322387415.
    mass = dict(known.dimension).get("g", 0)
    assert theirs.magnitude * 1000**mass == pytest.approx(ours, rel=1e-5 if "Hg" in unit else 1e-9)


@pytest.mark.parametrize("source", COMMON)
def test_what_converts_converts_as_pint_does(source: str) -> None:
    for target in COMMON:
        ours = factor(source, target)
        if ours is None or "Hg" in source + target:
            continue
        left, right = REGISTRY.from_ucum(source), REGISTRY.from_ucum(target)
        assert float(ours) == pytest.approx(left.to(right.units).magnitude / right.magnitude)


@pytest.mark.parametrize("unit", COMMON)
def test_a_dimension_that_pint_tells_apart_never_converts(unit: str) -> None:
    for other in COMMON:
        left, right = REGISTRY.from_ucum(unit), REGISTRY.from_ucum(other)
        if left.dimensionality != right.dimensionality:
            assert factor(unit, other) is None


@pytest.mark.parametrize(("name", "source", "target", "mass", "published"), PUBLISHED)
def test_published_factors(name: str, source: str, target: str, mass: str, published: str) -> None:
    ours = factor(source, target, Decimal(mass))
    assert ours is not None
    digits = -Decimal(published).as_tuple().exponent
    # One unit in the last printed digit: atomic weights have moved since 1987.
    assert abs(ours - Decimal(published)) <= Decimal(1).scaleb(-digits), name
    theirs = REGISTRY.from_ucum(source) / (float(mass) * REGISTRY.from_ucum("g/mol"))
    expected = theirs.to(REGISTRY.from_ucum(target).units).magnitude
    assert float(ours) == pytest.approx(expected, rel=1e-12)


def test_enzyme_units() -> None:
    # Dybkaer, Clin Chem Lab Med 2002;40:1062: 1 U is 1 umol/min, so 60 U are 1 ukat.
    assert convert(Decimal(60), "U/L", "ukat/L") == 1


@pytest.mark.parametrize(
    ("charge", "expected"), [(None, None), (1, Decimal("4.0")), (2, Decimal("2.0"))]
)
def test_equivalents_convert_only_with_a_charge(charge: int | None, expected: Decimal) -> None:
    assert convert(Decimal("4.0"), "meq/L", "mmol/L", charge=charge) == expected


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ("[iU]/L", "U/L"),
        ("[iU]/L", "10*9/L"),
        ("mosm/kg", "mmol/kg"),
        ("mL/min/{1.73_m2}", "mL/min"),
        ("{index}", "1"),
        ("mg/dL", "mmol/L"),
        ("Cel", "K"),
        ("[CFU]/mL", "/mL"),
    ],
)
def test_what_must_never_convert_silently(left: str, right: str) -> None:
    assert read_unit(left)
    assert read_unit(right)
    assert factor(left, right) is None
    assert factor(right, left) is None


@pytest.mark.parametrize(
    ("sent", "canonical"),
    [
        ("mmol/l", "mmol/L"),
        ("MMOL/L", "mmol/L"),
        ("\u00b5mol/L", "umol/L"),
        ("\u03bcmol/l", "umol/L"),
        (" mg/dl ", "mg/dL"),
        ("10^9/L", "10*9/L"),
        ("x10E9/L", "10*9/L"),
        ("K/uL", "10*3/uL"),
        ("mEq/L", "meq/L"),
        ("IU/L", "[iU]/L"),
        ("mmHg", "mm[Hg]"),
        ("mL/min/1.73m2", "mL/min/{1.73_m2}"),
        ("{index}", "{index}"),
    ],
)
def test_spellings(sent: str, canonical: str) -> None:
    assert parse_unit(sent) == canonical


@pytest.mark.parametrize(
    "text", ["", " ", "foo", "mg//dL", "mg/", "mmol per L", "5", "0", "mg/dL/", "{", "m" * 70]
)
def test_what_is_no_unit(text: str) -> None:
    assert parse_unit(text) is None


@pytest.mark.parametrize("text", ["G/L", "T/L", "MU/L"])
def test_capitals_that_could_mean_two_things_convert_to_nothing(text: str) -> None:
    for target in ("g/L", "10*9/L", "10*12/L", "U/L", "mU/L"):
        unit = parse_unit(text)
        assert unit is None or factor(unit, target) is None


def test_a_site_may_say_what_its_sender_means() -> None:
    assert parse_unit("G/L", {"G/L": "10*9/L"}) == "10*9/L"
    assert parse_unit("G/L", {"G/L": "nonsense"}) is None


numbers = st.decimals(min_value="0.0001", max_value="99999", places=4)
pairs = st.sampled_from(
    [("mg/dL", "mmol/L"), ("umol/L", "mg/dL"), ("g/L", "g/dL"), ("U/L", "ukat/L"), ("h", "min")]
)


@given(numbers, pairs, st.decimals(min_value=1, max_value=1000, places=3))
def test_there_and_back(value: Decimal, pair: tuple[str, str], mass: Decimal) -> None:
    there = convert(value, *pair, molar_mass=mass)
    assert there is not None
    back = convert(there, pair[1], pair[0], molar_mass=mass)
    assert back is not None
    assert abs(back - value) <= value * Decimal("1e-26")


@given(numbers, numbers, pairs)
def test_conversion_keeps_the_order(one: Decimal, other: Decimal, pair: tuple[str, str]) -> None:
    left = convert(one, *pair, molar_mass=Decimal("113.120"))
    right = convert(other, *pair, molar_mass=Decimal("113.120"))
    assert (one < other) == (left < right)  # type: ignore[operator]


@given(numbers, st.decimals(min_value=1, max_value=1000, places=3))
def test_conversion_is_the_exact_quotient_rounded_once(value: Decimal, mass: Decimal) -> None:
    converted = convert(value, "mg/dL", "mmol/L", mass)
    assert converted is not None
    exact = Fraction(value) * 10 / Fraction(mass)
    assert abs(Fraction(converted) - exact) <= exact / 10**27


def test_a_limit_is_met_exactly() -> None:
    # 180.156 mg/dL of glucose is ten millimole per liter and not one part in 10^28 less.
    assert convert(Decimal("180.156"), "mg/dL", "mmol/L", Decimal("180.156")) == 10
    assert convert(Decimal("5.10"), "mmol/L", "mmol/L") is not None
    assert str(convert(Decimal("5.10"), "mmol/L", "mmol/L")) == "5.10"


@given(st.text(max_size=12))
def test_any_text_is_a_unit_or_none(text: str) -> None:
    unit = parse_unit(text)
    assert unit is None or dimension(unit) is not None


@given(st.text(alphabet="mgudLlUolk/.*[]{}1023-+^%iH ", max_size=10))
def test_canonical_text_reads_as_itself(text: str) -> None:
    unit = read_unit(text)
    if unit:
        assert read_unit(unit.text) == unit
