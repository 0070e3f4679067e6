"""Every limit of a rule set as it stands in the tables, in the unit the site is shown."""

from collections.abc import Iterator, Sequence
from typing import Any

from msgspec import Struct, to_builtins

from verifier.language.changes import ChangeLimit
from verifier.language.limits import KINDS, LimitRow
from verifier.language.program import Program
from verifier.language.source import Span


class LimitLine(Struct, frozen=True):
    """One limit of one test. `population` is "everyone" where it is for everybody.

    `values` carries its unit; `converted` says that it is not the unit the rules declare.
    """

    test: str
    title: str
    kind: str
    population: str
    values: str
    unit: str
    source: str
    converted: bool


def limit_lines(program: Program, test: str = "") -> list[LimitLine]:
    """Return the limits of a rule set by test and kind, or those of one test."""
    return [line for line in _lines(program) if test in ("", line.test)]


def _lines(program: Program) -> Iterator[LimitLine]:
    tables = program.tables
    tests = sorted({*(test for test, _ in tables.rows), *tables.changes})
    for test in tests:
        for kind in KINDS:
            yield from (_line(program, test, row) for row in tables.rows.get((test, kind), ()))
        yield from (_line(program, test, row) for row in tables.changes.get(test, ()))


def _line(program: Program, test: str, row: LimitRow | ChangeLimit) -> LimitLine:
    title, kind = program.named(test)
    present = kind.present
    percent = isinstance(row, ChangeLimit) and row.measure != "difference"
    unit = "%" if percent else present.unit if present else kind.unit
    return LimitLine(
        test=test,
        title=title,
        kind="change" if isinstance(row, ChangeLimit) else row.kind,
        population=row.population or "everyone",
        values=row.text if isinstance(row, ChangeLimit) else row.text(),
        unit="" if kind.is_titer else unit,
        source=row.source,
        converted=present is not None and not percent and present.unit != kind.unit,
    )


def as_json(program: Program, units: str, lines: Sequence[LimitLine]) -> dict[str, Any]:
    """Return limits as plain values."""
    limits = [to_builtins(line) for line in lines]
    return {"identity": program.identity, "units": units, "limits": limits}


def as_text(program: Program, units: str, lines: Sequence[LimitLine]) -> str:
    """Return limits as a table; those not in the declared unit are marked."""
    rows = [(x.kind, x.population, x.values + " (converted)" * x.converted) for x in lines]
    widths = [max((len(row[n]) for row in rows), default=0) for n in range(3)]
    out, title = [], ""
    for line, row in zip(lines, rows, strict=True):
        if line.title != title:
            title = line.title
            out.append(f"{title} ({line.test})")
        cells = (f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True))
        out.append(f"  {'  '.join(cells)}  {line.source}")
    return "\n".join([*out, f"limits: {len(lines)}, shown in {units} units; identity "
                      f"{program.identity}"])  # fmt: skip


def limits_by_place(program: Program) -> dict[Span, list[LimitLine]]:
    """Return the limits of a rule set by the row they are written in, one for each test."""
    tables = program.tables
    every: list[tuple[str, LimitRow | ChangeLimit]] = [
        (test, row) for kind in KINDS for (test, own), rows in tables.rows.items()
        if own == kind for row in rows
    ]  # fmt: skip
    every += [(test, row) for test, rows in tables.changes.items() for row in rows]
    found: dict[Span, list[LimitLine]] = {}
    for test, row in every:
        found.setdefault(row.span, []).append(_line(program, test, row))
    return found
