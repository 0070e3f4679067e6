"""What the rules that look back make of people who were really seen again, run and pinned."""

from decimal import Decimal

from .bench import DAY, Bench, holding, shipped
from .visits import pairs, table, visits


def test_the_data_are_those_described() -> None:
    # 1,945 visits of 312 people: documentation of the R package survival
    found = visits()
    assert len(found) == 1945
    assert len({visit.person for visit in found}) == 312


def test_how_often_a_change_holds() -> None:
    # From a run of `python -m outside.visits`; a changed limit changes these, and shows here.
    assert [tuple(row) for row in table()] == [("albumin", 1633, 0, 152)]


def test_the_count_of_albumin_by_hand() -> None:
    # from memory: Ladenson 1975, 20 %
    count = 0
    for visit, _, last in pairs():
        if "albumin" in visit.values and "albumin" in last:
            now, before = (Decimal(v["albumin"].split()[0]) for v in (visit.values, last))
            count += abs(now - before) / before > Decimal("0.2")
    assert count == next(row.a_day_apart for row in table() if row.test == "albumin")


def test_an_albumin_that_nobody_has_is_caught() -> None:
    # 8.01 g/dL stands in the data (person 150, day 188) between 3.63 and 3.78
    (visit,) = [item for item in visits() if item.values.get("albumin") == "8.01 g/dL"]
    judged = Bench(shipped()).send(visit.values, sex=visit.sex, years=visit.years, before={})
    assert {"outside-measurable", "outside-autorelease"} <= holding(judged, "albumin")
    near = Bench(shipped()).send({"albumin": "8.01 g/dL"}, before={DAY: {"albumin": "3.63 g/dL"}})
    assert "changed" in holding(near, "albumin")
