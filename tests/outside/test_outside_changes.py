"""Changes between results: reference change values and the rise of creatinine."""

from datetime import timedelta
from decimal import Decimal
from math import hypot, sqrt

import pytest

from .bench import DAY, HOUR, Bench, compiled, holding, shipped

# CVA, CVI, and the reference change value in percent. CVI: Ricos database (Westgard listing, as
# printed by a Nordic laboratory, and from memory); CVA: common practice. The limits are computed:
# symmetric by Harris and Yasaka, Clin Chem 1983;29:25 (from memory), Z = 1.96.
ROWS = [
    ("sodium", "0.8", "0.6", "2.77"),
    ("potassium", "1.6", "4.6", "13.50"),
    ("chloride", "1.0", "1.2", "4.33"),
    ("bicarbonate", "2.5", "4.0", "13.07"),
    ("urea", "2.4", "12.1", "34.19"),
    ("creatinine", "2.2", "5.95", "17.58"),
    ("calcium", "1.2", "2.1", "6.70"),
    ("albumin", "1.3", "3.2", "9.57"),
    ("protein", "1.3", "2.75", "8.43"),
    ("bilirubin", "1.6", "21.8", "60.59"),
    ("alt", "2.3", "19.4", "54.15"),
    ("ast", "3.3", "12.3", "35.30"),
    ("glucose", "1.8", "5.6", "16.30"),
    ("ck", "2.5", "22.8", "63.58"),
    # Worked: CVI 5.2 % of 37 studies, CVA 1.1 %; Frontiers in Medicine 2022;9:1009358
    ("creatinine", "1.1", "5.2", "14.73"),
]
RULES = """
test any "Any test"
  unit mmol/L  decimals 1

limits for any
  from "an example"
  change at most {limit} within 30 days

rule changed for any
  from "an example"
  hold when result changed too much
  when unknown ignore
  because "{{test}} was {{earlier}} and is now {{result}}"
"""


def held(limit: str, percent: float | Decimal) -> bool:
    """Return whether a change of so many percent, from 100, is held by a limit."""
    bench = Bench(compiled({"changes.rules": RULES.format(limit=limit)}))
    now = Decimal(100) + Decimal(percent)
    judged = bench.send({"any": f"{now} mmol/L"}, before={DAY: {"any": "100 mmol/L"}})
    return "changed" in holding(judged, "any")


@pytest.mark.parametrize(("test", "analytical", "within", "printed"), ROWS)
def test_symmetric_reference_change_value(
    test: str, analytical: str, within: str, printed: str
) -> None:
    limit = f"rcv(analytical {analytical} %, within-subject {within} %, 95 %)"
    value, half = Decimal(printed), Decimal("0.005")  # printed with two decimals
    for sign in (1, -1):
        assert held(limit, sign * (value + half))
        assert not held(limit, sign * (value - half))
    exactly = sqrt(2) * 1.96 * hypot(float(analytical), float(within))
    assert held(limit, exactly * (1 + 1e-12))
    assert not held(limit, exactly * (1 - 1e-12))


@pytest.mark.parametrize(("level", "z"), [("95 %", 1.96), ("99 %", 2.58)])
def test_levels(level: str, z: float) -> None:
    # Z as Fraser, Biological Variation, 2001, has it (from memory)
    limit = f"rcv(analytical 3 %, within-subject 4 %, {level})"
    exactly = sqrt(2) * z * 5
    assert held(limit, exactly + 1e-9)
    assert not held(limit, exactly - 1e-9)


# KDIGO, Kidney Int Suppl 2012;2:1: 0.3 mg/dL (26.52 umol/L) or more within 48 hours, or 1.5 times
# within 7 days. The cases are computed; sources round the step to 26, 26.5 and 27 umol/L.
RISES = [
    ("80 umol/L", "106 umol/L", 47 * HOUR, False),  # 26: below the step of 26.52
    ("80 umol/L", "106.5 umol/L", 47 * HOUR, False),
    ("80 umol/L", "106.53 umol/L", 47 * HOUR, True),
    ("80 umol/L", "106.53 umol/L", 49 * HOUR, False),  # the step is for 48 hours
    ("0.9 mg/dL", "1.2 mg/dL", 48 * HOUR, True),  # 0.3 mg/dL exactly
    ("0.9 mg/dL", "1.19 mg/dL", 48 * HOUR, False),
    ("80 umol/L", "120 umol/L", 6 * DAY, True),  # ratio 1.50: stage 1
    ("80 umol/L", "119.9 umol/L", 6 * DAY, False),
    ("80 umol/L", "120 umol/L", 8 * DAY, False),  # the ratio is for 7 days
    ("80 umol/L", "160 umol/L", 6 * DAY, True),  # ratio 2.00: stage 2
    ("80 umol/L", "240 umol/L", 6 * DAY, True),  # ratio 3.00: stage 3
    ("300 umol/L", "360 umol/L", 47 * HOUR, True),  # ratio 1.2, but 60 umol/L within 48 hours
]


@pytest.mark.parametrize(("before", "now", "ago", "rise"), RISES)
def test_creatinine_rise(before: str, now: str, ago: timedelta, rise: bool) -> None:
    judged = Bench(shipped()).send({"creatinine": now}, before={ago: {"creatinine": before}})
    assert ("kidney-injury" in holding(judged, "creatinine")) is rise


def test_creatinine_rise_from_the_lowest_not_the_last() -> None:
    # NHS England algorithm, 2014 (from memory): the lowest value of 0 to 7 days is the reference
    before = {DAY: {"creatinine": "115 umol/L"}, 5 * DAY: {"creatinine": "80 umol/L"}}
    judged = Bench(shipped()).send({"creatinine": "121 umol/L"}, before=before)
    assert "kidney-injury" in holding(judged, "creatinine")
