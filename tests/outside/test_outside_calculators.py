"""A second opinion: the formulas of `medcalc-bench` over a grid of made-up specimens.

The library (Apache-2.0) is a set of published calculators, not a medical device. It rounds its
answers to three decimals. Not asked, because it is wrong there: units other than its own (each
step of a conversion is rounded), numbers below zero (three digits are left of them), eGFR of people
under 18, the worded eGFR of men up to 0.9 mg/dL (it divides by 0.7), a delta ratio without a fall
of bicarbonate.
"""

from collections.abc import Callable
from random import Random

import pytest
from medcalc.albumin_corrected_anion import compute_albumin_corrected_anion_explanation
from medcalc.anion_gap import compute_anion_gap_explanation
from medcalc.calcium_correction import calculate_corrected_calcium_explanation
from medcalc.ckd_epi_2021_creatinine import ckd_epi_2021, ckd_epi_2021_explanation
from medcalc.sOsm import compute_serum_osmolality_explanation

from .bench import Bench, exact

ROWS = 300
PRINTED = 0.0005000001  # three decimals


def grid(seed: int, **ranges: tuple[float, float, int]) -> list[dict[str, float]]:
    """Return rows of random numbers: lowest, highest and decimals by name."""
    random = Random(seed)
    return [
        {name: round(random.uniform(low, high), n) for name, (low, high, n) in ranges.items()}
        for _ in range(ROWS)
    ]


def apart(
    name: str, rows: list[dict[str, float]], units: dict[str, str], other: Callable[..., float]
) -> float:
    """Return how far the program and a library are apart at most."""
    bench = Bench(exact())
    found = []
    for row in rows:
        sent = {test: f"{value} {units[test]}" for test, value in row.items()}
        found.append(abs(float(bench.derived(sent)[name]) - other(**row)))
    return max(found)


IONS = {"sodium": (131, 165, 0), "chloride": (70, 105, 0), "bicarbonate": (5, 25, 1)}
MMOL = dict.fromkeys(IONS, "mmol/L")


def test_anion_gap() -> None:
    def gap(**row: float) -> float:
        answer = compute_anion_gap_explanation({k: (v, "mEq/L") for k, v in row.items()})
        return answer["Answer"]

    assert apart("anion_gap", grid(1, **IONS), MMOL, gap) < PRINTED


def test_corrected_anion_gap() -> None:
    def gap(albumin: float, **row: float) -> float:
        given = {k: (v, "mEq/L") for k, v in row.items()} | {"albumin": (albumin, "g/dL")}
        return compute_albumin_corrected_anion_explanation(given)["Answer"]

    rows = grid(2, **IONS, albumin=(1.0, 4.0, 1))
    units = MMOL | {"albumin": "g/dL"}
    assert apart("anion_gap_corrected", rows, units, gap) < 2 * PRINTED  # it rounds twice


def test_osmolality() -> None:
    # 18 and 2.8 for 18.0156 and 2.8014: less than 0.1 % of the glucose and urea in it
    def osmolality(sodium: float, glucose: float, urea: float) -> float:
        given = {"sodium": (sodium, "mmol/L"), "glucose": (glucose, "mg/dL")}
        given["bun"] = (urea * 28.014 / 60.056, "mg/dL")  # nitrogen is 2 of its 8 atoms
        return compute_serum_osmolality_explanation(given)["Answer"]

    rows = grid(3, sodium=(115, 165, 0), glucose=(40, 600, 0), urea=(9, 320, 0))
    units = {"sodium": "mmol/L", "glucose": "mg/dL", "urea": "mg/dL"}
    most = 600 / 18 - 600 / 18.0156 + 150 / 2.8 - 150 / 2.8014
    assert apart("osmolality", rows, units, osmolality) < most + PRINTED


def test_adjusted_calcium() -> None:
    # 0.8 mg/dL per g/dL are 0.0199611 mmol/L per g/L, not 0.02
    def calcium_in_mmol(calcium: float, albumin: float) -> float:
        given = {"calcium": (calcium, "mg/dL"), "albumin": (albumin, "g/dL")}
        return calculate_corrected_calcium_explanation(given)["Answer"] / 4.0078

    rows = grid(4, calcium=(5.0, 15.0, 2), albumin=(2.1, 4.9, 1))
    units = {"calcium": "mg/dL", "albumin": "g/dL"}
    most = (0.02 - 0.0199611) * 19 + PRINTED / 4
    assert apart("calcium_adjusted", rows, units, calcium_in_mmol) < most


@pytest.mark.parametrize(("sex", "word"), [("F", "Female"), ("M", "Male")])
def test_egfr(sex: str, word: str) -> None:
    bench = Bench(exact())
    for row in grid(5, creatinine=(0.3, 9.0, 2), years=(18, 100, 0)):
        given = {
            "sex": word,
            "age": (int(row["years"]), "years"),
            "creatinine": (row["creatinine"], "mg/dL"),
        }
        sent = {"creatinine": f"{row['creatinine']} mg/dL"}
        found = float(bench.derived(sent, sex=sex, years=int(row["years"]))["egfr"])
        assert found == pytest.approx(ckd_epi_2021(given), abs=1e-8)
        if sex == "F" or row["creatinine"] > 0.9:
            assert found == pytest.approx(ckd_epi_2021_explanation(given)["Answer"], abs=PRINTED)
