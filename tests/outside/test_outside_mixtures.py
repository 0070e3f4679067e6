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
    rule = "glucose-infusion-by-change" if known else "contaminated-by-glucose-infusion"
    assert rule in found(DEXTROSE, percent, known=known)


@pytest.mark.parametrize("known", [True, False])
def test_a_twentieth_of_dextrose_is_seen(known: bool) -> None:
    rule = "glucose-infusion-by-change" if known else "glucose-infusion-at-first-sight"
    assert rule in found(DEXTROSE, 5, known=known)


@pytest.mark.parametrize("percent", [10, 20])
def test_saline_is_seen_against_the_panel_before(percent: int) -> None:
    # Chloride up and calcium down: Patel, Clin Chem Lab Med 2015
    assert "contaminated-by-saline" in found(SALINE, percent, known=True)


def test_a_tenth_of_saline_is_missed_without_a_panel_before() -> None:
    # Spies 2024: 10 % of saline gives a wrong flag on half of all calciums and is not reliably
    # detected. Nor is it here: nothing holds it.
    assert not found(SALINE, 10, known=False)


def test_a_twentieth_of_saline_is_missed() -> None:
    assert not found(SALINE, 5, known=True)


def test_a_fifth_of_saline_is_seen_at_first_sight() -> None:
    assert "saline-at-first-sight" in found(SALINE, 20, known=False)


# K-EDTA. Published dose response: 3.2 % by volume of K2-EDTA plasma brings 0.54 mmol/L of potassium
# and takes 71 % of zinc, 4 % of ALP, 2.4 % of magnesium and 1 % of calcium ("kEDTA sample
# contamination: a reappraisal", 2019); rules on calcium missed 20 of 31 samples there. Other doses
# are scaled from it, which is common practice, no source.
OTHERS = {"magnesium": "0.80 mmol/L", "alp": "70 U/L", "zinc": "12 umol/L"}
TAKEN_AWAY = {"calcium": "1", "magnesium": "2.4", "alp": "4", "zinc": "71"}


def with_edta(percent: str, *, zinc: bool) -> dict[str, str]:
    dose = Decimal(percent) / Decimal("3.2")
    values = with_units(PATIENT) | OTHERS
    for name, lost in TAKEN_AWAY.items():
        value, unit = values[name].split()
        values[name] = f"{Decimal(value) * max(1 - dose * Decimal(lost) / 100, Decimal(0))} {unit}"
    values["potassium"] = f"{4 + dose * Decimal('0.54')} mmol/L"
    return {k: v for k, v in values.items() if zinc or k != "zinc"}


def seen(percent: str, *, zinc: bool, known: bool) -> set[str]:
    before = {k: v for k, v in (with_units(PATIENT) | OTHERS).items() if k != "hemolysis"}
    judged = Bench(shipped()).send(
        with_edta(percent, zinc=zinc), before={DAY: before} if known else {}
    )
    return {rule for rule in holding(judged) if "edta" in rule}


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("zinc", [True, False])
def test_the_published_trace_of_edta_is_missed(zinc: bool, known: bool) -> None:
    assert not seen("3.2", zinc=zinc, known=known)


def test_twice_the_trace_is_seen_by_zinc_against_the_panel_before_only() -> None:
    assert seen("6.4", zinc=True, known=True) == {"edta-by-change"}
    assert not seen("6.4", zinc=False, known=True)
    assert not seen("6.4", zinc=True, known=False)


def test_a_tenth_of_edta_is_seen_by_zinc_or_against_the_panel_before() -> None:
    assert seen("10", zinc=False, known=True) == {"edta-by-change"}
    assert seen("10", zinc=True, known=False) == {"slightly-contaminated-by-edta"}
    assert not seen("10", zinc=False, known=False)  # magnesium, ALP and calcium look well


def test_gross_edta_is_seen() -> None:
    # "K > 8 and Ca < 1.5: gross": common practice, no source
    values = with_units(PATIENT) | {"potassium": "8.1 mmol/L", "calcium": "1.49 mmol/L"}
    judged = Bench(shipped()).send(values)
    assert "contaminated-by-edta" in holding(judged, "sodium")  # the whole specimen
