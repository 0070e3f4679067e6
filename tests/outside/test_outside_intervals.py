"""Reference intervals as tables print them, looked up by the program on the edges of each age band.

A band of "2-5 y" lasts from the second birthday to the day before the sixth. Both ends are asked.
"""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from .bench import TAKEN, Bench, shipped

TODAY = TAKEN.date()
LIFE = (120, "y")


def born(number: int, span: str) -> date:
    """Return the birth date of somebody who completes so many days, months or years today."""
    if span == "d":
        return TODAY - timedelta(days=number)
    months = TODAY.year * 12 + TODAY.month - 1 - number * (12 if span == "y" else 1)
    return date(months // 12, months % 12 + 1, TODAY.day)


def shown(test: str, sent: str, sex: str, birth: date) -> tuple[list[Decimal], str]:
    """Return the ends of the interval the program prints, and the outcome."""
    judged = Bench(shipped()).send({test: sent}, sex=sex, born=birth)
    (item,) = judged.decision.results
    return [
        Decimal(end) for end in item.reference.split("-")
    ] if item.reference else [], item.outcome


def completes(number: int, span: str) -> date:
    """Return the latest birth date of somebody who completes so much for certain.

    The first three days of life are counted in hours: who is known by the birth day only may be
    almost a day younger.
    """
    return born(number + (span == "d" and 0 < number <= 3), span)


def check(test: str, sent: str, sex: str, first: tuple, after: tuple, ends: list[Decimal]) -> None:
    for birth in (completes(*first), born(*after) + timedelta(days=1)):
        found, _ = shown(test, sent, sex, birth)
        assert found == ends, f"{test} {sex} born {birth}"


# Alkaline phosphatase, U/L, 37 degrees, pNPP and AMP: a reproduced pediatric handbook table
ALP = [
    ((1, "d"), (4, "d"), "95 368", "95 368"),
    ((2, "m"), (2, "y"), "115 460", "115 460"),
    ((2, "y"), (6, "y"), "115 391", "115 391"),
    ((6, "y"), (8, "y"), "115 460", "115 460"),
    ((8, "y"), (10, "y"), "115 345", "115 345"),
    ((10, "y"), (12, "y"), "115 336", "115 437"),
    ((12, "y"), (14, "y"), "127 403", "92 336"),
    ((14, "y"), (16, "y"), "79 446", "78 212"),
    ((16, "y"), (19, "y"), "58 331", "35 124"),
    ((19, "y"), LIFE, "41 137", "39 118"),
]


@pytest.mark.parametrize(("first", "after", "male", "female"), ALP)
def test_alkaline_phosphatase(first: tuple, after: tuple, male: str, female: str) -> None:
    for sex, ends in (("M", male), ("F", female)):
        check("alp", "200 U/L", sex, first, after, [Decimal(end) for end in ends.split()])


@pytest.mark.parametrize("days", [0, 4, 5, 28, 40, 58])
def test_alkaline_phosphatase_has_a_gap(days: int) -> None:
    # The table leaves out 4 days to 2 months: no interval, not that of the neighbor, and a person
    # looks. On 2 March the 58th day of life is the last one before two months.
    found, outcome = shown("alp", "200 U/L", "F", born(days, "d"))
    assert not found
    assert outcome == "hold"


# Creatinine, mg/dL, enzymatic: test directory of a US reference laboratory. From 19 years on the
# shipped rules follow Tate, eJIFCC 2016;27:48, Table 3, Australasian consensus, umol/L.
CREATININE = [
    ((0, "d"), (31, "d"), "0.50 1.20", "0.50 0.90"),
    ((31, "d"), (1, "y"), "0.40 0.70", "0.40 0.60"),
    ((1, "y"), (4, "y"), "0.40 0.70", "0.40 0.70"),
    ((4, "y"), (7, "y"), "0.50 0.80", "0.50 0.80"),
    ((7, "y"), (10, "y"), "0.30 0.60", "0.30 0.70"),
    ((10, "y"), (12, "y"), "0.30 0.70", "0.40 0.80"),
    ((12, "y"), (14, "y"), "0.40 0.80", "0.40 0.80"),
    ((14, "y"), (16, "y"), "0.40 1.10", "0.30 0.90"),
    ((16, "y"), (19, "y"), "0.60 1.20", "0.50 1.00"),
]


@pytest.mark.parametrize(("first", "after", "male", "female"), CREATININE)
def test_creatinine_of_children(first: tuple, after: tuple, male: str, female: str) -> None:
    # 113.120 g/mol; an interval may be printed in whole umol/L, which is 0.0057 mg/dL
    for sex, ends in (("M", male), ("F", female)):
        for birth in (born(*first), born(*after) + timedelta(days=1)):
            found, _ = shown("creatinine", "50 umol/L", sex, birth)
            in_mg = [float(end) * 113.120 / 10_000 for end in found]
            assert in_mg == pytest.approx([float(end) for end in ends.split()], abs=0.0057)


# One interval for both sexes, in the unit of the rule set
CHILDREN = {
    "calcium": [  # a Nordic hospital laboratory's published table; its last row is NORIP's
        ((0, "d"), (1, "d"), "2.25 2.90"),
        ((1, "d"), (5, "d"), "2.10 2.80"),
        ((5, "d"), (6, "m"), "2.25 2.70"),
        ((6, "m"), (1, "y"), "2.40 2.80"),
        ((1, "y"), (5, "y"), "2.30 2.64"),
        ((5, "y"), (13, "y"), "2.24 2.60"),
        ((13, "y"), (18, "y"), "2.10 2.51"),
        ((18, "y"), LIFE, "2.15 2.51"),
    ],
    "potassium": [  # an English children's hospital's ranges, 2010; adults: Tate, see below
        ((28, "d"), (1, "y"), "3.5 6.0"),
        ((1, "y"), (18, "y"), "3.3 5.5"),
    ],
    "phosphate": [  # the same
        ((0, "d"), (28, "d"), "1.6 2.7"),
        ((28, "d"), (1, "y"), "1.2 2.7"),
        ((1, "y"), (5, "y"), "1.1 2.4"),
        ((5, "y"), (15, "y"), "1.05 1.7"),
    ],
    "bicarbonate": [  # the pediatric handbook table
        ((0, "d"), (28, "d"), "17.2 23.6"),
        ((2, "m"), (2, "y"), "19 24"),
        ((2, "y"), (18, "y"), "18 25"),
    ],
    "albumin": [  # an English hospital laboratory's ranges, 2011
        ((0, "d"), (5, "d"), "26 36"),
        ((5, "d"), (3, "y"), "34 42"),
        ((3, "y"), (6, "y"), "35 52"),
        ((6, "y"), (15, "y"), "37 56"),
    ],
}
SENT = {"albumin": "40 g/L"}
CELLS = [(test, *row) for test, rows in CHILDREN.items() for row in rows]


@pytest.mark.parametrize(("test", "first", "after", "ends"), CELLS)
def test_intervals_of_children(test: str, first: tuple, after: tuple, ends: str) -> None:
    for sex in "MFU":
        sent = SENT.get(test, "2 mmol/L")
        check(test, sent, sex, first, after, [Decimal(end) for end in ends.split()])


# Adults. Tate, eJIFCC 2016;27:48, Table 3, Australasian consensus. The others are of the Nordic
# project (NORIP; Rustad, Scand J Clin Lab Invest 2004;64:271) as a Nordic laboratory prints them.
EVERY = (18, "y"), LIFE
UNDER_40, FROM_40 = ((18, "y"), (40, "y")), ((40, "y"), LIFE)
UNDER_50, FROM_50 = ((18, "y"), (50, "y")), ((50, "y"), LIFE)
ADULTS = [
    ("sodium", "mmol/L", EVERY, "135 145", "135 145"),  # Tate
    ("potassium", "mmol/L", EVERY, "3.5 5.2", "3.5 5.2"),  # Tate
    ("chloride", "mmol/L", EVERY, "95 110", "95 110"),  # Tate
    ("bicarbonate", "mmol/L", EVERY, "22 32", "22 32"),  # Tate
    ("creatinine", "umol/L", ((19, "y"), LIFE), "60 110", "45 90"),  # Tate
    ("magnesium", "mmol/L", EVERY, "0.7 1.1", "0.7 1.1"),  # Tate
    ("phosphate", "mmol/L", EVERY, "0.75 1.50", "0.75 1.50"),  # Tate
    ("urea", "mmol/L", UNDER_50, "3.2 8.1", "2.6 6.4"),  # NORIP, also below
    ("urea", "mmol/L", FROM_50, "3.5 8.1", "3.1 7.9"),
    ("urate", "umol/L", UNDER_50, "230 480", "155 350"),
    ("urate", "umol/L", FROM_50, "230 480", "155 400"),
    ("ast", "U/L", EVERY, "15 45", "15 35"),
    ("alt", "U/L", EVERY, "10 70", "10 45"),
    ("ggt", "U/L", UNDER_40, "10 80", "10 45"),
    ("ggt", "U/L", FROM_40, "15 115", "10 75"),
    ("ldh", "U/L", ((11, "y"), (70, "y")), "105 205", "105 205"),
    ("ldh", "U/L", ((70, "y"), LIFE), "115 255", "115 255"),
    ("ck", "U/L", UNDER_50, "50 400", "35 210"),
    ("ck", "U/L", FROM_50, "40 280", "35 210"),
    ("bilirubin", "umol/L", EVERY, "5 25", "5 25"),
    ("amylase", "U/L", EVERY, "25 120", "25 120"),
    ("albumin", "g/L", UNDER_40, "36 48", "36 48"),  # from memory, as protein
    ("albumin", "g/L", ((40, "y"), (70, "y")), "36 45", "36 45"),
    ("albumin", "g/L", ((70, "y"), LIFE), "34 45", "34 45"),
    ("protein", "g/L", EVERY, "62 78", "62 78"),
]


@pytest.mark.parametrize(("test", "unit", "band", "male", "female"), ADULTS)
def test_intervals_of_adults(test: str, unit: str, band: tuple, male: str, female: str) -> None:
    for sex, ends in (("M", male), ("F", female)):
        check(test, f"20 {unit}", sex, *band, [Decimal(end) for end in ends.split()])


@pytest.mark.parametrize("test", ["creatinine", "urate", "ast", "ck"])
def test_without_a_sex_there_is_no_interval_that_depends_on_it(test: str) -> None:
    unit = "umol/L" if test in ("creatinine", "urate") else "U/L"
    assert shown(test, f"60 {unit}", "U", born(40, "y"))[0] == []
