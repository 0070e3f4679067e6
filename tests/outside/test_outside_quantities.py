"""Quantities worked out of two or three results, against their definitions and worked examples.

Where no source is named, the number is computed from the definition, a textbook's.
"""

from datetime import timedelta

import pytest

from .bench import TAKEN, Bench, exact, holding, shipped

CLOSE = 6e-10


def worked(values: dict[str, str], **more: int | str) -> dict[str, float]:
    return {k: float(v) for k, v in Bench(exact()).derived(values, **more).items()}  # type: ignore[arg-type]


# 0.413 height / creatinine: Schwartz, J Am Soc Nephrol 2009;20:629. 103.25 and 82.6 are worked
# examples of two calculators (the first prints 103); the last is computed.
@pytest.mark.parametrize(
    ("height", "creatinine", "expected"),
    [
        ("100 cm", "0.4 mg/dL", 103.25),
        ("100 cm", "0.5 mg/dL", 82.6),
        ("140 cm", "0.7 mg/dL", 82.6),
        ("1.40 m", "0.7 mg/dL", 82.6),
    ],
)
def test_filtration_of_a_child(height: str, creatinine: str, expected: float) -> None:
    values = {"height": height, "creatinine": creatinine}
    assert worked(values, years=10)["egfr_child"] == pytest.approx(expected, abs=CLOSE)


def test_filtration_of_a_child_in_si() -> None:
    # 36.5 height / creatinine in umol/L is the rounded SI form: 82.419; exactly 36.51
    found = worked({"height": "140 cm", "creatinine": "62 umol/L"}, years=10)["egfr_child"]
    assert found == pytest.approx(0.413 * 140 / (62 * 113.120 / 10_000), abs=1e-8)
    assert found == pytest.approx(82.419, rel=3e-4)


def test_filtration_by_age() -> None:
    values = {"height": "100 cm", "creatinine": "0.5 mg/dL"}
    assert "egfr_child" in worked(values, years=1)
    assert "egfr_child" in worked(values, years=17)
    assert "egfr_child" not in worked(values, years=18)
    assert "egfr_child" not in worked(values, years=0)


@pytest.mark.parametrize(("measured", "gap"), [("310", 20), ("288", -2), ("290", 0)])
def test_osmolal_gap(measured: str, gap: int) -> None:
    # 310 - 290 = 20: worked example of a calculator citing Clin Biochem 2015;48:529
    values = {"sodium": "140 mmol/L", "glucose": "5 mmol/L", "urea": "5 mmol/L"}
    found = worked(values | {"osmolality_measured": f"{measured} mosm/kg"})
    assert found["osmolal_gap"] == pytest.approx(gap, abs=CLOSE)


@pytest.mark.parametrize(
    ("protein", "albumin", "globulin", "ratio"),
    [
        ("72 g/L", "42 g/L", 30, 1.4),
        ("80 g/L", "30 g/L", 50, 0.6),
        ("6.8 g/dL", "4.1 g/dL", 27, 41 / 27),
    ],
)
def test_globulin(protein: str, albumin: str, globulin: int, ratio: float) -> None:
    found = worked({"protein": protein, "albumin": albumin})
    assert found["globulin"] == pytest.approx(globulin, abs=CLOSE)
    assert found["albumin_globulin_ratio"] == pytest.approx(ratio, abs=CLOSE)


@pytest.mark.parametrize("protein", ["40 g/L", "39 g/L"])
def test_no_ratio_to_globulins_that_are_not_there(protein: str) -> None:
    assert "albumin_globulin_ratio" not in worked({"protein": protein, "albumin": "40 g/L"})


@pytest.mark.parametrize(
    ("nitrogen", "creatinine", "ratio"), [(20, "1.0 mg/dL", 20), (14, "0.8 mg/dL", 17.5)]
)
def test_urea_nitrogen_to_creatinine(nitrogen: int, creatinine: str, ratio: float) -> None:
    values = {"urea": f"{nitrogen / 2.8014:.15f} mmol/L", "creatinine": creatinine}
    assert worked(values)["urea_creatinine_ratio"] == pytest.approx(ratio, abs=1e-8)


@pytest.mark.parametrize(
    ("iron", "tibc", "percent"),
    [("100 ug/dL", "300 ug/dL", 33.3333333), ("16 umol/L", "56 umol/L", 28.5714286)],
)
def test_transferrin_saturation(iron: str, tibc: str, percent: float) -> None:
    found = worked({"iron": iron, "tibc": tibc})["transferrin_saturation"]
    assert found == pytest.approx(percent, abs=6e-8)


def test_transferrin_saturation_by_transferrin() -> None:
    # Capacity 25.1 to 25.2 umol/L of iron for 1 g/L of transferrin (12.6 umol of it, two sites):
    # 50 umol/L at 2.5 g/L are 79.7 to 79.4 %
    found = worked({"iron": "50 umol/L", "transferrin": "2.5 g/L"})
    assert 79.3 < found["transferrin_saturation_by_transferrin"] < 79.8
    measured = worked({"iron": "50 umol/L", "transferrin": "2.5 g/L", "tibc": "60 umol/L"})
    assert "transferrin_saturation_by_transferrin" not in measured


def test_indirect_bilirubin() -> None:
    values = {"bilirubin": "30 umol/L", "bilirubin_direct": "8 umol/L"}
    assert worked(values)["bilirubin_indirect"] == pytest.approx(22, abs=CLOSE)
    crossed = {"bilirubin": "5 umol/L", "bilirubin_direct": "6 umol/L"}
    assert "bilirubin_indirect" not in worked(crossed)
    judged = Bench(shipped()).send(crossed)
    for test in crossed:  # no negative number is printed, and somebody looks
        assert holding(judged, test)


@pytest.mark.parametrize(("albumin", "there"), [("19", False), ("20", True), ("50", True)])
def test_calcium_is_not_adjusted_far_from_the_usual_albumin(albumin: str, there: bool) -> None:
    # Not below 20 g/L, in newborns: practice in the United Kingdom, from memory
    found = worked({"calcium": "2.10 mmol/L", "albumin": f"{albumin} g/L"})
    assert ("calcium_adjusted" in found) is there


def test_calcium_is_not_adjusted_in_newborns() -> None:
    bench = Bench(exact())
    for days, there in ((27, False), (28, True)):
        judged = bench.send(
            {"calcium": "2.10 mmol/L", "albumin": "30 g/L"},
            born=TAKEN.date() - timedelta(days=days),
        )
        assert ("calcium_adjusted" in exact().judge(judged.case).notes) is there
