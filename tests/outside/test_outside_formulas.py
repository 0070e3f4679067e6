"""The derived results of the shipped rule set against published formulas and worked examples.

Every row goes in as an HL7 message. "Computed" means from the formula named above the table, in
double precision and without rounding on the way.
"""

import re
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest

from verifier.rulefiles import read_files, shipped_rules

from .bench import Bench, exact, shipped

CLOSE = 6e-10  # derived results are compared with nine decimals


def ions(sodium: str, chloride: str, bicarbonate: str, **more: str) -> dict[str, str]:
    named = {"sodium": sodium, "chloride": chloride, "bicarbonate": bicarbonate}
    return {name: f"{value} mmol/L" for name, value in named.items()} | more


def worked(values: dict[str, str], name: str, **more: object) -> float:
    return float(Bench(exact()).derived(values, **more)[name])  # type: ignore[arg-type]


# Na - (Cl + HCO3), the textbook definition
GAPS = [
    ("140", "104", "24", 12),  # computed
    ("140", "100", "14", 26),  # worked example of a teaching page on metabolic acidosis
    ("138", "90", "16", 32),  # worked example of a second teaching page
    ("136", "106", "10", 20),  # the same page
    ("140", "106", "20", 14),  # docstring example of the medcalc-bench library 1.7.0
]


@pytest.mark.parametrize(("sodium", "chloride", "bicarbonate", "gap"), GAPS)
def test_anion_gap(sodium: str, chloride: str, bicarbonate: str, gap: int) -> None:
    assert worked(ions(sodium, chloride, bicarbonate), "anion_gap") == gap


# Figge, Crit Care Med 1998;26:1807: 0.25 per g/L below the reference albumin, here 40 g/L
@pytest.mark.parametrize(
    ("chloride", "bicarbonate", "albumin", "gap"),
    [
        ("100", "14", "20 g/L", 31.0),  # worked example of a teaching page
        ("100", "14", "2.0 g/dL", 31.0),
        ("104", "24", "20 g/L", 17.0),  # computed
        ("106", "24", "15 g/L", 16.25),  # computed
    ],
)
def test_gap_corrected_for_albumin(
    chloride: str, bicarbonate: str, albumin: str, gap: float
) -> None:
    values = ions("140", chloride, bicarbonate, albumin=albumin)
    assert worked(values, "anion_gap_corrected") == pytest.approx(gap, abs=CLOSE)


# Smithline and Gardner, JAMA 1976;236:1594. In SI units 2 Na + glucose + urea, in conventional
# units 2 Na + glucose/18 + BUN/2.8.
def test_osmolality_in_si() -> None:
    values = {"sodium": "140 mmol/L", "glucose": "5 mmol/L", "urea": "5 mmol/L"}
    assert worked(values, "osmolality") == 290


# Payne, BMJ 1973;4:643, as used in SI units: Ca + 0.02 (40 - albumin g/L)
@pytest.mark.parametrize(
    ("calcium", "albumin", "adjusted"),
    [
        ("2.00 mmol/L", "30 g/L", 2.20),  # worked example of a general practice page
        ("1.83 mmol/L", "26 g/L", 2.11),  # worked example; its text misprints 1.876
        ("2.10 mmol/L", "20 g/L", 2.50),  # computed
    ],
)
def test_adjusted_calcium(calcium: str, albumin: str, adjusted: float) -> None:
    found = worked({"calcium": calcium, "albumin": albumin}, "calcium_adjusted")
    assert found == pytest.approx(adjusted, abs=CLOSE)


def test_adjusted_calcium_in_conventional_units() -> None:
    # Ca + 0.8 (4.0 - albumin g/dL): 8.0 and 2.5 give 9.2 mg/dL (medcalc-bench 1.7.0). 0.8 mg/dL
    # are 0.0199611 mmol/L, not 0.02: 0.0006 mmol/L apart at 15 g/L below the reference.
    found = worked({"calcium": "8.0 mg/dL", "albumin": "2.5 g/dL"}, "calcium_adjusted")
    assert found * 4.0078 == pytest.approx(9.2, abs=0.0024)


# What the shipped rules report is the exact value rounded once, halves away from zero.
def test_derived_results_are_rounded_once() -> None:
    values = ions(
        "138.5", "101", "23", albumin="35.5 g/L", calcium="2.215 mmol/L", creatinine="81 umol/L",
        glucose="5.55 mmol/L", urea="4.65 mmol/L",
    )  # fmt: skip
    digits = Bench(exact()).derived(values)
    rounded = Bench(shipped()).derived(values)
    assert set(rounded) == set(digits)
    assert len(rounded) >= 5
    for name, shown in rounded.items():
        assert shown == digits[name].quantize(shown, ROUND_HALF_UP), name
        assert isinstance(shown, Decimal)


# Na + K - (Cl + HCO3), the other textbook definition; computed
@pytest.mark.parametrize(
    ("sodium", "potassium", "chloride", "bicarbonate", "gap"),
    [("140", "4.0", "104", "24", 16.0), ("128", "5.5", "94", "14", 25.5)],
)
def test_anion_gap_with_potassium(
    sodium: str, potassium: str, chloride: str, bicarbonate: str, gap: float
) -> None:
    values = ions(sodium, chloride, bicarbonate, potassium=f"{potassium} mmol/L")
    assert worked(values, "anion_gap_with_potassium") == pytest.approx(gap, abs=CLOSE)
    assert worked(values, "anion_gap") == pytest.approx(gap - float(potassium), abs=CLOSE)


# (gap - 12) / (24 - HCO3), teaching pages on mixed acid-base disorders
@pytest.mark.parametrize(
    ("sodium", "chloride", "bicarbonate", "ratio"),
    [
        ("140", "100", "14", 1.4),  # worked example: gap 26
        ("138", "90", "16", 2.5),  # computed: gap 32
        ("136", "106", "10", 8 / 14),  # computed: gap 20
        ("140", "113", "12", 0.25),  # computed: gap 15
    ],
)
def test_delta_ratio(sodium: str, chloride: str, bicarbonate: str, ratio: float) -> None:
    found = worked(ions(sodium, chloride, bicarbonate), "delta_ratio")
    assert found == pytest.approx(ratio, abs=CLOSE)


@pytest.mark.parametrize("bicarbonate", ["24", "24.0", "28", "40"])
def test_no_delta_ratio_without_a_fall_of_bicarbonate(bicarbonate: str) -> None:
    # At 28 a library in public use answers 1.188 for a gap of 7.25, which means nothing.
    assert "delta_ratio" not in Bench(exact()).derived(ions("140", "104", bicarbonate))


@pytest.mark.parametrize(
    ("sodium", "glucose", "nitrogen", "printed"),
    [
        (140, 90, 14, 290.000),  # computed
        (140, 180, 28, 300.000),  # computed
        (139, 599, 20, 318.421),  # medcalc-bench 1.7.0
        (128, 600, 60, 310.762),  # computed
    ],
)
def test_osmolality_in_conventional_units(
    sodium: int, glucose: int, nitrogen: int, printed: float
) -> None:
    # 18 and 2.8 are rounded molar masses, 18.0156 and 2.8014: the last digits differ
    values = {
        "sodium": f"{sodium} mmol/L",
        "glucose": f"{glucose} mg/dL",
        "urea": f"{nitrogen / 2.8014:.15f} mmol/L",
    }
    found = worked(values, "osmolality")
    assert found == pytest.approx(2 * sodium + glucose / 18.0156 + nitrogen / 2.8014, abs=1e-8)
    assert found == pytest.approx(printed, abs=0.05)


# Counts that patterns over a whole panel are made of; no publication has them, scenarios show them.
OF_PATTERNS = {
    "compared_tests", "thinned_tests", "low_tests", "usual_tests", "change_size", "change_tests",
    "jumped_tests", "moved_organs",
}  # fmt: skip


def test_every_derived_result_is_checked_here() -> None:
    rules = "\n".join(read_files(shipped_rules())[0].values())
    names = set(re.findall(r"^derive (\w+)", rules, re.MULTILINE))
    here = "\n".join(path.read_text("utf-8") for path in Path(__file__).parent.glob("test_*.py"))
    assert names >= OF_PATTERNS
    assert not {name for name in names - OF_PATTERNS if f'"{name}"' not in here}
