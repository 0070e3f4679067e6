"""Edge cases: for every limit row a value just below, at and just above each of its edges.

What is expected is worked out here from the words of the row, with operators of its own, and not
from the compiled table. "Just" means one step in the last decimal the test is reported with.
"""

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal

from msgspec import Struct

from verifier.assurance.grid import Side, around
from verifier.assurance.persons import Persons
from verifier.facts.values import TITER
from verifier.language.limits import LimitRow
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep
from verifier.language.scene import plain
from verifier.language.source import Source, Span

_SOURCE = re.compile(r'\bfrom\s+"[^"]*"')
_END = r"(?:1:)?[-+]?\s*[\w.]+(?:\s+[^\s,]+)?"
_WRITTEN = (  # the words of one stretch, and whether the value belongs to it
    (re.compile(rf"\bbelow\s+{_END}\s*$"), "below"),
    (re.compile(rf"\babove\s+{_END}\s*$"), "above"),
    (re.compile(rf"{_END}\s+or\s+below\s*$"), "or below"),
    (re.compile(rf"{_END}\s+or\s+above\s*$"), "or above"),
    (re.compile(rf"{_END}\s+to\s+{_END}\s*$"), "to"),
)


class EdgeCase(Struct, frozen=True):
    """One value beside an edge of one limit row of one test, and what the limit must say of it.

    `expected` is the answer to `is critical`, `is outside …` or `changed too much`. `step` is what
    a scenario would give; None where none could be made, and then `why_not` says why. `words` is
    the limit as it stands in the file, without its source.
    """

    test: str
    kind: str
    place: Span
    words: str
    edge: Decimal
    side: Side
    value: Decimal
    expected: bool
    population: str = ""
    step: ScenarioStep | None = None
    why_not: str = ""
    titer: bool = False


def limit_edges(
    program: Program, sources: Mapping[str, Source], persons: Persons
) -> Iterator[EdgeCase]:
    """Yield the cases of every row but change limits, test by test."""
    for (test, _), rows in sorted(program.tables.rows.items()):
        for row in rows:
            yield from _of_row(program, test, row, row_words(sources, row.span), persons)


def row_words(sources: Mapping[str, Source], span: Span) -> str:
    """Return a limit row as it is written, without its source."""
    text = sources[span.file].masked[span.start : span.end]
    return " ".join(_SOURCE.sub("", text).split())


def _of_row(
    program: Program, test: str, row: LimitRow, words: str, persons: Persons
) -> Iterator[EdgeCase]:
    whom = persons.of(row.population)
    for edge in _edges(row):
        for side, value in around(edge, program.decimals(test), row.unit == TITER):
            belongs = written_belongs(words, row, value)
            step = None if whom is None else persons.with_value(whom, test, value)
            why_not = f"no results were found that make {test} {plain(value)}"
            if whom is None:
                why_not = f"no patient was found for {row.population}"
            yield EdgeCase(
                test=test,
                kind=row.kind,
                place=row.span,
                words=words,
                edge=edge,
                side=side,
                value=value,
                expected=belongs if row.kind == "critical" else not belongs,
                population=row.population,
                step=step,
                why_not="" if step else why_not,
                titer=row.unit == TITER,
            )


def _edges(row: LimitRow) -> list[Decimal]:
    ends = [end for part in row.stretches for end in (part.low, part.high) if end is not None]
    return list(dict.fromkeys(ends))


def written_belongs(words: str, row: LimitRow, value: Decimal) -> bool:
    """Return whether a value belongs to a row by the words it is written with.

    Raises:
        ValueError: the words are not those of a limit row.
    """
    parts = words.split(",")
    if len(parts) != len(row.stretches):
        raise ValueError(f"{words!r} does not have {len(row.stretches)} parts")
    return any(
        _within(_form(words), value, part.low, part.high)
        for words, part in zip(parts, row.stretches, strict=True)
    )


def _form(words: str) -> str:
    for pattern, form in _WRITTEN:
        if pattern.search(words):
            return form
    raise ValueError(f"{words!r} is not a limit")


def _within(form: str, value: Decimal, low: Decimal | None, high: Decimal | None) -> bool:
    match form:
        case "below":
            return high is not None and value < high
        case "or below":
            return high is not None and value <= high
        case "above":
            return low is not None and value > low
        case "or above":
            return low is not None and value >= low
        case _:
            return low is not None and high is not None and low <= value <= high
