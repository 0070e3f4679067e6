"""Every conversion of the shipped tests against two libraries, pint and ucumvert.

ucumvert reads units as UCUM and then reckons with pint; pint alone reads them by its own tables.
Molar masses are worked out here from the elements: IUPAC abridged standard atomic weights, 2021
(Prohaska et al., Pure Appl Chem 2022;94:573). Conventional factors: Young, Ann Intern Med
1987;106:114, as reprinted in unit tables (from memory where a reprint was not seen).
"""

import re
from decimal import Decimal
from itertools import product

import pytest
from pint import UnitRegistry
from ucumvert import PintUcumRegistry

from verifier.facts.mapping import in_unit_of
from verifier.facts.values import Number

from .bench import Bench, shipped, value_of

UCUM, PINT = PintUcumRegistry(), UnitRegistry()
TESTS = shipped().catalogue.tests
WEIGHTS = {
    "H": "1.0080", "C": "12.011", "N": "14.007", "O": "15.999", "Na": "22.990", "Mg": "24.305",
    "P": "30.974", "Cl": "35.45", "K": "39.098", "Ca": "40.078", "Fe": "55.845",
    "Li": "6.94", "Zn": "65.38",
}  # fmt: skip
# What the rules mean by a test, as a formula. Phosphate is weighed as phosphorus, urea nitrogen as
# two atoms of nitrogen for one urea.
FORMULAS = {
    "urea": "C1H4N2O1",
    "urea_nitrogen": "N2",
    "creatinine": "C4H7N3O1",
    "glucose": "C6H12O6",
    "calcium": "Ca1",
    "icterus": "C33H36N4O6",
    "bilirubin": "C33H36N4O6",
    "bilirubin_direct": "C33H36N4O6",
    "urate": "C5H4N4O3",
    "phosphate": "P1",
    "magnesium": "Mg1",
    "cholesterol": "C27H46O1",
    "hdl": "C27H46O1",
    "ldl": "C27H46O1",
    "ldl_direct": "C27H46O1",
    "iron": "Fe1",
    "tibc": "Fe1",
    "uibc": "Fe1",
    "lactate": "C3H6O3",
    "ammonia": "N1H3",
    "beta_hydroxybutyrate": "C4H8O3",
    "calcium_ionized": "Ca1",
    "digoxin": "C41H64O14",
    "ethanol": "C2H6O1",
    "glucose_fasting": "C6H12O6",
    "lithium": "Li1",
    "paracetamol": "C8H9N1O2",
    "salicylate": "C7H6O3",
    "zinc": "Zn1",
}
# What is no single substance has the mass that unit tables give it. Triglycerides: 885.4 to 885.7
# there, 885.453 as triolein, C57H104O6. Albumin: 66.5 kDa (from memory).
CONVENTIONS = {"triglycerides": Decimal("885.453"), "albumin": Decimal(66500)}
MASSES = {
    name: sum(
        Decimal(WEIGHTS[element]) * int(count)
        for element, count in re.findall(r"([A-Z][a-z]?)([0-9]+)", formula)
    )
    for name, formula in FORMULAS.items()
} | CONVENTIONS
POOL = [
    "g/L", "g/dL", "mg/dL", "mg/L", "ug/dL", "ug/L", "ng/mL", "mol/L", "mmol/L", "umol/L", "nmol/L",
    "U/L", "ukat/L", "nkat/L", "kat/L", "mosm/kg", "osm/kg", "meq/L", "%", "1", "m[iU]/L", "[iU]/L",
    "mm[Hg]", "kPa", "m", "cm",
]  # fmt: skip
WITH_MASS = sorted(name for name, test in TESTS.items() if test.molar_mass)
QUANTITIES = sorted(name for name, test in TESTS.items() if test.unit and "{" not in test.unit)


@pytest.mark.parametrize("test", WITH_MASS)
def test_molar_mass_is_that_of_the_elements(test: str) -> None:
    mass = TESTS[test].molar_mass
    assert mass is not None
    assert mass == MASSES[test].quantize(mass)
    assert test in CONVENTIONS or mass.as_tuple().exponent <= -2  # to 0.01 g/mol or better


def test_triglycerides_are_weighed_as_triolein() -> None:
    mass = TESTS["triglycerides"].molar_mass
    triolein = 57 * Decimal(WEIGHTS["C"]) + 104 * Decimal(WEIGHTS["H"]) + 6 * Decimal(WEIGHTS["O"])
    assert mass is not None
    assert abs(mass / triolein - 1) < Decimal("0.0001")


def by_library(value: str, unit: str, test: str) -> float | None:
    """Return a quantity in the unit of a test, by pint and UCUM; None where they do not fit."""
    quantity = UCUM.from_ucum(unit) * float(value)
    wanted = UCUM.from_ucum(TESTS[test].unit)
    mass = UCUM.from_ucum("g/mol") * float(MASSES.get(test, 1))
    for one in (quantity, quantity / mass, quantity * mass)[: 3 if test in MASSES else 1]:
        if one.dimensionality == wanted.dimensionality:
            return float(one.to(wanted.units).magnitude / wanted.magnitude)
    return None


def by_pint(value: str, unit: str, test: str) -> float:
    """Return a quantity in the unit of a test, by pint alone and its rule of amount and mass."""
    mass = float(MASSES.get(test, 1)) * PINT.gram / PINT.mole
    quantity = float(value) * PINT(unit)
    return float(quantity.to(PINT(TESTS[test].unit).units, "chemistry", mw=mass).magnitude)


def by_program(value: str, unit: str, test: str) -> float | None:
    found = in_unit_of(TESTS[test], Number(Decimal(value)), unit)
    return float(found.value) if isinstance(found, Number) else None


@pytest.mark.parametrize("test", QUANTITIES)
def test_every_unit_converts_as_the_libraries_do_or_not_at_all(test: str) -> None:
    for unit in POOL:
        expected, found = by_library("7.25", unit, test), by_program("7.25", unit, test)
        if found is not None:
            assert found == pytest.approx(expected, rel=1e-12), unit
        elif expected is not None:
            # The library takes an equivalent, an osmole, an arbitrary unit for a mole; not so here.
            assert re.search(r"eq|osm|iU|mol/mol", unit + TESTS[test].unit), unit


# What laboratories send beside the declared unit, and the factor that unit tables print for it.
SENT = [
    ("glucose", "mg/dL", "0.0555"),
    ("urea", "mg/dL", "0.1665"),
    ("urea_nitrogen", "mg/dL", "0.357"),
    ("creatinine", "mg/dL", "88.4"),
    ("calcium", "mg/dL", "0.2495"),
    ("albumin", "g/dL", "10"),
    ("icterus", "mg/dL", "17.1"),
    ("glucose_fasting", "mg/dL", "0.0555"),
    ("calcium_ionized", "mg/dL", "0.2495"),
    ("zinc", "ug/dL", "0.153"),
    ("ethanol", "mg/dL", "0.2171"),
    ("lithium", "mg/dL", "1.441"),
    ("digoxin", "ng/mL", "1.281"),
    ("paracetamol", "ug/mL", "6.62"),
    ("salicylate", "mg/dL", "0.0724"),
    ("beta_hydroxybutyrate", "mg/dL", "0.09606"),
    ("ferritin", "ng/mL", "1"),
    ("troponin_i", "ng/mL", "1"),
    ("albumin", "umol/L", "0.0665"),
    ("urate", "mg/dL", "59.48"),
    ("bilirubin", "mg/dL", "17.1"),
    ("bilirubin_direct", "mg/dL", "17.1"),
    ("magnesium", "mg/dL", "0.4114"),
    ("phosphate", "mg/dL", "0.3229"),
    ("cholesterol", "mg/dL", "0.02586"),
    ("hdl", "mg/dL", "0.02586"),
    ("ldl", "mg/dL", "0.02586"),
    ("triglycerides", "mg/dL", "0.0113"),
    ("iron", "ug/dL", "0.179"),
    ("tibc", "ug/dL", "0.179"),
    ("transferrin", "mg/dL", "0.01"),
    ("protein", "g/dL", "10"),
    ("lactate", "mg/dL", "0.111"),
    ("ammonia", "ug/dL", "0.5872"),
    ("alt", "ukat/L", "60"),
    ("crp", "mg/dL", "10"),
]
MASS_UNITS = [item for item in SENT if item[0] in TESTS]


@pytest.mark.parametrize(("test", "unit", "printed"), MASS_UNITS)
def test_a_result_sent_in_another_unit(test: str, unit: str, printed: str) -> None:
    value = value_of(Bench(shipped()).send({test: f"7.25 {unit}"}), test)
    assert float(value) == pytest.approx(by_library("7.25", unit, test), rel=1e-12)
    assert float(value) == pytest.approx(by_pint("7.25", unit, test), rel=1e-12)
    digits = -Decimal(printed).as_tuple().exponent
    assert abs(value / Decimal("7.25") - Decimal(printed)) <= Decimal(6) / 10 ** (digits + 1)


def test_the_libraries_tell_a_wrong_molar_mass() -> None:
    # Urea weighed as its nitrogen: the trap that halves a result (or doubles it).
    right = by_program("14", "mg/dL", "urea_nitrogen")
    wrong = by_library("14", "mg/dL", "urea")
    assert right is not None
    assert wrong is not None
    assert right == pytest.approx(4.9975, abs=5e-5)
    assert right / wrong == pytest.approx(60.056 / 28.014, rel=1e-9)


def test_nothing_sent_is_taken_for_another_quantity() -> None:
    refused = [
        (test, unit)
        for test, unit in product(QUANTITIES, ("mm[Hg]", "m[iU]/L"))
        if by_program("1", unit, test) is not None
    ]
    assert not refused
