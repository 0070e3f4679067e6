"""Specimens mixed with what should not be in them: what the shipped rules see, and what they miss.

A mixture is volumes: (1 - p) of the patient and p of the fluid. Contents of the fluids: sodium
chloride 0.9 % holds 154 mmol/L of each ion, dextrose 5 % holds 277.5 mmol/L of glucose (Spies and
Farnsworth, J Lab Med 2024, simulate such mixtures; the contents are pharmacopoeial).
"""

from decimal import Decimal

import pytest

from .bench import DAY, Bench, holding, shipped

PATIENT = {
    "sodium": "140", "potassium": "4.0", "chloride": "104", "bicarbonate": "24",
    "calcium": "2.40", "glucose": "5.0", "albumin": "40",
}  # fmt: skip
UNITS = dict.fromkeys(PATIENT, "mmol/L") | {"albumin": "g/L"}
SALINE = {"sodium": "154", "chloride": "154"}
DEXTROSE = {"glucose": "277.5"}


def mixed(fluid: dict[str, str], percent: int) -> dict[str, Decimal]:
    part = Decimal(percent) / 100
    return {
        name: (1 - part) * Decimal(value) + part * Decimal(fluid.get(name, "0"))
        for name, value in PATIENT.items()
    }


def with_units(values: dict[str, Decimal] | dict[str, str]) -> dict[str, str]:
    return {name: f"{value} {UNITS[name]}" for name, value in values.items()} | {
        "hemolysis": "0.0 g/L"
    }


def found(fluid: dict[str, str], percent: int, *, known: bool) -> set[str]:
    """Return the rules that hold a mixture, with or without the patient's earlier values."""
    before = {DAY: {k: v for k, v in with_units(PATIENT).items() if k != "hemolysis"}}
    values = with_units(mixed(fluid, percent))
    return holding(Bench(shipped()).send(values, before=before if known else {}))


def test_the_mixtures_are_those_computed() -> None:
    saline, dextrose = mixed(SALINE, 10), mixed(DEXTROSE, 10)
    assert saline == {
        "sodium": Decimal("141.4"), "potassium": Decimal("3.6"), "chloride": Decimal(109),
        "bicarbonate": Decimal("21.6"), "calcium": Decimal("2.16"), "glucose": Decimal("4.5"),
        "albumin": Decimal(36),
    }  # fmt: skip
    assert dextrose["glucose"] == Decimal("32.25")
    assert dextrose["sodium"] == 126
    assert dextrose["potassium"] == Decimal("3.6")


def test_a_patient_without_any_of_it_is_released() -> None:
    assert not found({}, 0, known=True)


@pytest.mark.parametrize("percent", [10, 20])
@pytest.mark.parametrize("known", [True, False])
def test_dextrose_is_seen(percent: int, known: bool) -> None:
    assert "contaminated-by-glucose-infusion" in found(DEXTROSE, percent, known=known)


def test_saline_of_10_percent_is_missed() -> None:
    # Spies 2024: 10 % of saline gives a wrong flag on half of all calciums and is not reliably
    # detected. Nor is it here: nothing holds it.
    assert not found(SALINE, 10, known=True)
    assert not found(SALINE, 10, known=False)


def test_saline_of_20_percent_is_seen_by_the_changes_only() -> None:
    assert "changed" in found(SALINE, 20, known=True)
    assert not found(SALINE, 20, known=False)


# K-EDTA. Published dose response: 3.2 % by volume of K2-EDTA plasma raises potassium by 11.9 % and
# lowers calcium by 1 % only ("kEDTA sample contamination: a reappraisal", 2019), so that rules on
# calcium missed 20 of 31 samples there.
def test_a_trace_of_edta_is_missed() -> None:
    values = with_units(PATIENT) | {"potassium": "5.04 mmol/L", "calcium": "2.38 mmol/L"}
    assert not holding(Bench(shipped()).send(values))


def test_gross_edta_is_seen() -> None:
    # "K > 8 and Ca < 1.5: gross": common practice, no source
    values = with_units(PATIENT) | {"potassium": "8.1 mmol/L", "calcium": "1.49 mmol/L"}
    judged = Bench(shipped()).send(values)
    assert "contaminated-by-edta" in holding(judged, "sodium")  # the whole specimen
