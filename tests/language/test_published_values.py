"""The shipped formulas against published formulas and worked examples, the source beside each.

The formulas are the shipped ones; only `decimals` is set to 4 so that digits can be compared.
"""

import re
from decimal import Decimal

import pytest
from scenes import SHIPPED, adult, case_of, shipped

from verifier.facts.units import convert
from verifier.facts.verdicts import Judgement
from verifier.language import Program, check
from verifier.rulefiles import read_files

FORMULAS = "derived.rules"


@pytest.fixture(scope="module")
def precise() -> Program:
    files, _ = read_files(SHIPPED)
    files[FORMULAS] = re.sub(r"decimals \d", "decimals 4", files[FORMULAS])
    exact = check(files).program
    assert exact is not None
    return exact


def derived(judgement: Judgement, name: str) -> Decimal:
    return Decimal(judgement.notes[name].value)


def test_urea_nitrogen_is_not_urea(precise: Program) -> None:
    # BUN 14 mg/dL is urea 5.0 mmol/L: factor 0.357 (Young 1987), exactly 10/28.014
    of = precise.catalogue.tests
    nitrogen, urea = of["urea_nitrogen"], of["urea"]
    found = convert(Decimal(14), "mg/dL", "mmol/L", nitrogen.molar_mass)
    assert found is not None
    assert abs(found - Decimal("4.9975")) < Decimal("0.0001")
    halved = convert(Decimal(14), "mg/dL", "mmol/L", urea.molar_mass)
    assert halved is not None
    assert halved < found / 2


@pytest.mark.parametrize(
    ("sodium", "chloride", "bicarbonate", "gap"),
    [
        ("140", "104", "24", "12"),  # computed from the definition
        ("140", "100", "14", "26"),  # worked example of a teaching page, formula Na - (Cl + HCO3)
        ("138", "90", "16", "32"),  # worked example of a second teaching page
        ("136", "106", "10", "20"),  # the same
        ("140", "106", "20", "14"),  # docstring example of the medcalc-bench library 1.7.0
    ],
)
def test_anion_gap(
    precise: Program, sodium: str, chloride: str, bicarbonate: str, gap: str
) -> None:
    values = {"sodium": sodium, "chloride": chloride, "bicarbonate": bicarbonate}
    judgement = precise.judge(case_of(precise, values))
    assert derived(judgement, "anion_gap") == Decimal(gap)


@pytest.mark.parametrize(
    ("chloride", "bicarbonate", "albumin", "corrected"),
    [
        ("100", "14", "20", "31.0"),  # worked example, reference albumin 40 g/L: 26 + 0.25 * 20
        ("104", "24", "20", "17.0"),  # computed from Figge, Crit Care Med 1998;26:1807, at 40 g/L
        ("106", "24", "15", "16.25"),  # the same
    ],
)
def test_gap_corrected_for_albumin(
    precise: Program, chloride: str, bicarbonate: str, albumin: str, corrected: str
) -> None:
    values = {"sodium": "140", "chloride": chloride, "bicarbonate": bicarbonate, "albumin": albumin}
    judgement = precise.judge(case_of(precise, values))
    assert derived(judgement, "anion_gap_corrected") == Decimal(corrected)


def test_osmolality_in_si(precise: Program) -> None:
    # Smithline and Gardner, JAMA 1976;236:1594, SI form 2 Na + glucose + urea: 140, 5, 5 -> 290
    judgement = precise.judge(case_of(precise, {"sodium": "140", "glucose": "5", "urea": "5"}))
    assert derived(judgement, "osmolality") == 290


@pytest.mark.parametrize(
    ("sodium", "glucose", "nitrogen", "expected"),
    [
        ("140", "90", "14", "290.000"),  # 2 Na + glucose/18 + BUN/2.8, computed
        ("140", "180", "28", "300.000"),  # the same
        ("139", "599", "20", "318.421"),  # medcalc-bench 1.7.0
        ("128", "600", "60", "310.762"),  # computed
    ],
)
def test_osmolality_in_conventional_units(
    precise: Program, sodium: str, glucose: str, nitrogen: str, expected: str
) -> None:
    # 18 and 2.8 are rounded molar masses (18.0156, 2.8014), so the last digits differ.
    values = {
        "sodium": sodium,
        "glucose": str(convert(Decimal(glucose), "mg/dL", "mmol/L", Decimal("180.156"))),
        "urea": str(convert(Decimal(nitrogen), "mg/dL", "mmol/L", Decimal("28.014"))),
    }
    judgement = precise.judge(case_of(precise, values))
    assert abs(derived(judgement, "osmolality") - Decimal(expected)) < Decimal("0.05")


@pytest.mark.parametrize(
    ("calcium", "albumin", "adjusted"),
    [
        ("2.00", "30", "2.20"),  # Payne, BMJ 1973;4:643, SI form Ca + 0.02 (40 - albumin)
        ("1.83", "26", "2.11"),  # worked example of a teaching page (its text misprints 1.876)
        ("2.10", "20", "2.50"),  # computed
    ],
)
def test_adjusted_calcium(precise: Program, calcium: str, albumin: str, adjusted: str) -> None:
    judgement = precise.judge(case_of(precise, {"calcium": calcium, "albumin": albumin}))
    assert derived(judgement, "calcium_adjusted") == Decimal(adjusted)


def test_adjusted_calcium_in_conventional_units(precise: Program) -> None:
    # Ca + 0.8 (4.0 - albumin): 8.0 mg/dL, 2.5 g/dL -> 9.2 mg/dL (medcalc-bench 1.7.0)
    mass = Decimal("40.078")
    calcium = convert(Decimal("8.0"), "mg/dL", "mmol/L", mass)
    judgement = precise.judge(case_of(precise, {"calcium": str(calcium), "albumin": "25"}))
    expected = convert(Decimal("9.2"), "mg/dL", "mmol/L", mass)
    assert expected is not None
    assert abs(derived(judgement, "calcium_adjusted") - expected) < Decimal("0.001")


# CKD-EPI 2021, Inker, NEJM 2021;385:1737. F 55 0.9 is a published example ("about 76"); the others
# are computed from the published equation in double precision.
EGFR = [
    ("F", 55, "0.9", "75.4988"),
    ("M", 50, "0.9", "104.0490"),
    ("F", 50, "0.7", "105.2976"),
    ("F", 30, "0.6", "123.7579"),
    ("M", 30, "0.8", "122.0973"),
    ("M", 60, "1.0", "86.1626"),
    ("F", 60, "1.0", "64.4950"),
    ("F", 70, "1.5", "37.2569"),
    ("M", 45, "2.5", "31.4997"),
    ("M", 80, "1.2", "61.1338"),
    ("M", 65, "8.0", "6.8882"),
    ("F", 18, "0.5", "139.3374"),
]


@pytest.mark.parametrize(("sex", "age", "creatinine", "expected"), EGFR)
def test_egfr(precise: Program, sex: str, age: int, creatinine: str, expected: str) -> None:
    amount = convert(Decimal(creatinine), "mg/dL", "umol/L", Decimal("113.120"))
    case = case_of(precise, {"creatinine": str(amount)}, patient=adult(sex, age))
    assert derived(precise.judge(case), "egfr") == Decimal(expected)


def test_egfr_from_amount(precise: Program) -> None:
    # M 50, 80 umol/L -> 103.3627 with the conventional factor 88.4; the exact one is 88.4017
    case = case_of(precise, {"creatinine": "80"}, patient=adult("M", 50))
    assert abs(derived(precise.judge(case), "egfr") - Decimal("103.3627")) < Decimal("0.01")


def test_egfr_is_a_whole_number_and_for_adults_only() -> None:
    # whole numbers: KDIGO and NKF practice, from memory; not valid under 18: the 2021 equation
    rules = shipped()
    grown = rules.judge(case_of(rules, {"creatinine": "80"}, patient=adult("F", 55)))
    assert [d.text for d in grown.derived if d.test == "egfr"] == ["75"]
    young = rules.judge(case_of(rules, {"creatinine": "80"}, patient=adult("F", 17)))
    assert not [d for d in young.derived if d.test == "egfr"]


# Textbook definitions, computed by hand; the saturations as handbooks print them
WORKED = [
    (
        "osmolal_gap",
        "20",
        {"osmolality_measured": "310", "sodium": "140", "glucose": "5", "urea": "5"},
    ),
    (
        "osmolal_gap",
        "-2",
        {"osmolality_measured": "288", "sodium": "140", "glucose": "5", "urea": "5"},
    ),
    ("globulin", "30", {"protein": "72", "albumin": "42"}),
    ("albumin_globulin_ratio", "1.4", {"protein": "72", "albumin": "42"}),
    ("albumin_globulin_ratio", "0.6", {"protein": "80", "albumin": "30"}),
    ("bilirubin_indirect", "22", {"bilirubin": "30", "bilirubin_direct": "8"}),
    ("transferrin_saturation", "33.3333", {"iron": "20", "tibc": "60"}),
    # iron 50 umol/L and transferrin 2.5 g/L: 79.7 %
    ("transferrin_saturation_by_transferrin", "79.6813", {"iron": "50", "transferrin": "2.5"}),
    ("non_hdl", "3.9", {"cholesterol": "5.2", "hdl": "1.3"}),
    ("ldl_friedewald", "3.1273", {"cholesterol": "5.2", "hdl": "1.3", "triglycerides": "1.7"}),
    # urea nitrogen 20 mg/dL and creatinine 1.0 mg/dL: 20
    ("urea_creatinine_ratio", "20", {"urea": "7.139288", "creatinine": "88.401697"}),
]


@pytest.mark.parametrize(("name", "expected", "values"), WORKED)
def test_simple_quantities(
    precise: Program, name: str, expected: str, values: dict[str, str]
) -> None:
    found = derived(precise.judge(case_of(precise, values)), name)
    assert abs(found - Decimal(expected)) <= Decimal("0.0001")


# Bedside Schwartz, J Am Soc Nephrol 2009;20:629: 0.413 * height in cm / creatinine in mg/dL
@pytest.mark.parametrize(
    ("height", "creatinine", "expected"),
    [("100", "0.4", "103.25"), ("100", "0.5", "82.6"), ("140", "0.7", "82.6")],
)
def test_egfr_of_children(precise: Program, height: str, creatinine: str, expected: str) -> None:
    amount = convert(Decimal(creatinine), "mg/dL", "umol/L", Decimal("113.120"))
    values = {"height": height, "creatinine": str(amount)}
    found = derived(precise.judge(case_of(precise, values, patient=adult("F", 9))), "egfr_child")
    assert abs(found - Decimal(expected)) < Decimal("0.001")


def test_every_derived_result_of_the_shipped_rules_is_checked_here_or_outside() -> None:
    text = (SHIPPED / FORMULAS).read_text(encoding="utf-8")
    named = set(re.findall(r"^derive (\w+)", text, re.MULTILINE))
    here = {"anion_gap", "anion_gap_corrected", "osmolality", "calcium_adjusted", "egfr"}
    here |= {"egfr_child", *(name for name, *_ in WORKED)}
    outside = {"anion_gap_with_potassium", "delta_ratio", "ldl_sampson"}  # tests/outside
    assert named == here | outside
