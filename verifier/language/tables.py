"""Fills the limit tables from the statements and checks the rows against each other."""

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple, TypeAlias

from verifier.facts.values import TITER
from verifier.language import kinds, titers, tree
from verifier.language.changes import ChangeLimit, Measure
from verifier.language.earlier import TICKS, Past
from verifier.language.expressions import Expressions
from verifier.language.facttexts import number_text, past_fact
from verifier.language.findings import Findings
from verifier.language.kinds import Kind
from verifier.language.limits import LimitRow, Stretch
from verifier.language.referencechange import (
    percent_up_and_down,
    reference_change,
    reference_factor,
)
from verifier.language.reuse import Reuse
from verifier.language.scene import plain
from verifier.language.source import Span
from verifier.language.spelled import spelled
from verifier.language.stretches import meet, reaches_outside
from verifier.language.symbols import note_unknown_unit
from verifier.language.typed import FactOf
from verifier.language.whom import population_of

_WIDEST = ("possible", "measurable")  # a method may measure more than is possible, or less


class _Change(NamedTuple):
    limit: ChangeLimit
    earlier: FactOf


_Made: TypeAlias = LimitRow | _Change


class Tables:
    """Turns limit statements into rows in the unit of each test."""

    def __init__(self, expressions: Expressions, reuse: Reuse) -> None:
        self._all, self._reuse = expressions, reuse
        self._findings, self._symbols = expressions.findings, expressions.symbols

    def fill(self) -> None:
        """Read every limits statement of the rule set."""
        for limits in self._symbols.limits:
            for row in limits.rows:
                self._check_row(row, limits)
            for test in limits.tests:
                self._add(test.text, self._rows(test, limits))
        for rows in self._all.tables.rows.values():
            self._check_repeats(rows)
        for changes in self._all.tables.changes.values():
            self._check_repeats(changes)
        self._check_against_each_other()

    def _check_row(self, row: tree.Row | tree.ChangeRow, limits: tree.Limits) -> None:
        known = self._symbols.populations
        who = row.population
        if who and who.text not in {"everyone", *known, *self._symbols.broken}:
            named = self._symbols.named_populations()
            self._findings.unknown_name(who.span, who.text, named, "population")
        if not (row.source or limits.source):
            self._findings.add(
                "R303", row.span, "this limit has no source",
                meaning="nobody could say later where the number comes from.",
                fix='add: from "our procedure CHEM-014 v7"',
            )  # fmt: skip

    def _rows(self, test: tree.Word, limits: tree.Limits) -> list[_Made]:
        return self._reuse.here("limits", limits, test.text, lambda: [*self._read(test, limits)])

    def _add(self, test: str, rows: list[_Made]) -> None:
        tables = self._all.tables
        for row in rows:
            if isinstance(row, LimitRow):
                tables.add(test, row)
            else:
                tables.changes.setdefault(test, []).append(row.limit)
                tables.past_facts.setdefault(test, row.earlier)

    def _read(self, test: tree.Word, limits: tree.Limits) -> Iterator[_Made]:
        kind = self._symbols.kind(test.text)
        if kind is None:
            known = [*self._symbols.judged(), *self._symbols.groups]
            self._findings.unknown_name(test.span, test.text, known, "test or derived result")
            return
        if kind.what == "broken":
            return
        for row in limits.rows:
            source = row.source or limits.source
            if isinstance(row, tree.ChangeRow) and kind.is_titer:
                meaning = "a rise is told in multiples, by a rule."
                titers.refuse(self._findings, row.span, "titers have no change limit", meaning)
                continue
            made: _Made | None
            if isinstance(row, tree.ChangeRow):
                made = self._change(test.text, kind, row, source)
            else:
                made = self._row(kind, row, source)
            if made:
                yield made

    def _population(self, row: tree.Row | tree.ChangeRow) -> str:
        name = population_of(row)
        return name if name in self._symbols.populations else ""

    def _row(self, kind: Kind, row: tree.Row, source: str) -> LimitRow | None:
        stretches = []
        for part in row.parts:
            if self._half_said(part):
                return None
            low, high = self._in_unit(part.low, kind), self._in_unit(part.high, kind)
            if (part.low and low is None) or (part.high and high is None):
                return None
            if low is not None and high is not None and low >= high:
                self._findings.add(
                    "R301", part.span, f"{plain(low, kind.unit)} is not below the other end",
                    meaning="no value lies between them.", fix="swap the two numbers",
                )  # fmt: skip
                return None
            stretches.append(Stretch(low, part.low_included, high, part.high_included))
        return LimitRow(
            row.kind,
            self._population(row),
            tuple(stretches),
            kind.unit,
            self._with_parameters(row, source),
            row.span,
            kind.present,
        )

    def _half_said(self, part: tree.Part) -> bool:
        """Refuse `0.50 mg/dL to 1.20`: nobody can tell what the second number is in."""
        low, high = part.low, part.high
        if not isinstance(low, tree.Amount) or not isinstance(high, tree.Amount):
            return False
        if low.unit in (None, TITER) or high.unit is not None:
            return False
        self._findings.add(
            "R204", high.span, f"{high.value} has no unit, and the other end has one",
            meaning="the two ends of an interval would be read in different units.",
            fix=f"{high.value} {low.unit}",
        )  # fmt: skip
        return True

    def _in_unit(self, end: tree.Amount | tree.Name | None, kind: Kind) -> Decimal | None:
        """Return a limit in the unit of the test; a bare number is in that unit."""
        amount = self._all.amount_of(end) if end else None
        if amount is None or end is None:
            return None
        amount = replace(amount, span=end.span)
        if titers.number_apart(amount, kind, self._findings):
            return None
        if amount.unit is None:
            return amount.value
        written = kinds.number(amount.unit)
        if written is None and not kinds.is_time(amount.unit):
            note_unknown_unit(amount.span, amount.unit, self._findings)
            return None
        factor = kinds.ratio(written, kind) if written else None
        if factor is None:
            self._findings.add(
                "R203", amount.span, f"the test is in {kinds.shown(kind)}",
                meaning="the limit would be set against a number in another unit.",
                fix=f"{amount.value} {kind.unit}, if that is the number you mean",
            )  # fmt: skip
            return None
        return amount.value * factor.numerator / factor.denominator

    def _with_parameters(self, row: tree.Row | tree.ChangeRow, source: str) -> str:
        """Return the source of a row and of the parameters it names."""
        ends = [row.window] if isinstance(row, tree.ChangeRow) else _ends(row)
        named = sorted({end.name for end in ends if isinstance(end, tree.Name)})
        known = self._symbols.parameters
        said = (f"{name}: {known[name].source}" for name in named if name in known)
        return "; ".join([source, *said])

    def _change(self, test: str, kind: Kind, row: tree.ChangeRow, source: str) -> _Change | None:
        window = self._all.numeric.period(row.window)
        measure, most = self._most(row.most, kind)
        if window is None or most is None:
            return None
        title = self._symbols.title(test)
        within = spelled(self._all.amount_of(row.window) or row.window)
        past = Past(test, title, kind.unit, window, within)
        made = ChangeLimit(
            population=self._population(row),
            most=most,
            measure=measure,
            each=TICKS[row.each] if row.each else None,
            past=past,
            window=window,
            text=f"at most {_most_text(row, most, kind)} within {within}",
            source=self._with_parameters(row, source),
            span=row.span,
        )
        self._all.reach.windows.add(window)
        return _Change(made, past_fact(past, title, self._symbols.decimals(test), kind))

    def _most(
        self, most: tree.Amount | tree.ReferenceChange, kind: Kind
    ) -> tuple[Measure, Decimal | None]:
        """Return how a change limit measures, and the limit, None when it is wrong."""
        if isinstance(most, tree.ReferenceChange):
            if most.lognormal:
                return "factor", reference_factor(most, self._findings)
            return "percent", reference_change(most, self._findings)
        if most.unit == "%":
            return "percent", most.value
        return "difference", self._in_unit(most, kind)

    def _check_repeats(self, rows: list[LimitRow] | list[ChangeLimit]) -> None:
        seen: dict[str, Span] = {}
        for row in rows:
            before = seen.setdefault(row.population, row.span)
            if before is not row.span:
                self._findings.add(
                    "R302", row.span, "this limit is given twice for the same patients",
                    meaning="the two could disagree later.", fix="keep one of the two",
                    related=[before],
                )  # fmt: skip

    def _check_against_each_other(self) -> None:
        tables = self._all.tables.rows
        for (test, kind), rows in tables.items():
            if kind == "critical":
                self._no_critical_inside(rows, tables.get((test, "reference"), []), "reference")
                self._no_critical_inside(rows, tables.get((test, "autorelease"), []), "autorelease")

            for row in rows if kind not in _WIDEST else ():
                self._within(row, tables.get((test, "measurable"), []), "what can be measured")
                self._within(row, tables.get((test, "possible"), []), "what is possible")

    def _within(self, row: LimitRow, widest: list[LimitRow], where: str) -> None:
        for other in widest:
            if other.population in ("", row.population) and reaches_outside(row, other):
                note_outside(row, other, where, self._findings)

    def _no_critical_inside(
        self, critical: list[LimitRow], others: list[LimitRow], what: str
    ) -> None:
        for row in critical:
            for other in others:
                if row.population == other.population and meet(row, other):
                    note_critical_inside(row, other, f"the {what} interval", self._findings)


def note_outside(row: LimitRow, widest: LimitRow, where: str, findings: Findings) -> None:
    """Note a limit that lies outside what can be measured, or outside what is possible."""
    said = "exact value" if widest.kind == "measurable" else "value of a living person"
    findings.add(
        "R304", row.span, f"this {row.kind} limit lies outside {where}",
        meaning=f"{row.text()} against {widest.text()}: no {said} gets that far.",
        fix="correct one of the two limits", related=[widest.span], severity="warning",
    )  # fmt: skip


def note_critical_inside(row: LimitRow, other: LimitRow, where: str, findings: Findings) -> None:
    """Note a critical limit inside another interval, an error where that is the reference."""
    findings.add(
        "R304", row.span, f"critical values lie inside {where}",
        meaning=f"{row.text()} against {other.text()}.",
        fix="move one of the two limits", related=[other.span],
        severity="error" if other.kind == "reference" else "warning",
    )  # fmt: skip


def _most_text(row: tree.ChangeRow, most: Decimal, kind: Kind) -> str:
    each = f" per {row.each}" if row.each else ""
    if isinstance(row.most, tree.ReferenceChange) and row.most.lognormal:
        up, down = (number_text(part, 0) for part in percent_up_and_down(most))
        return f"+{up} % or -{down} % ({spelled(row.most)})"
    if isinstance(row.most, tree.ReferenceChange):
        return f"{number_text(most, 0)} % ({spelled(row.most)})"
    if kind.present and row.most.unit != "%":
        return f"{plain(kind.present.number(most))} {kind.present.unit}{each}"
    unit = "" if row.most.unit or not kind.unit else f" {kind.unit}"
    return f"{spelled(row.most)}{unit}{each}"


def _ends(row: tree.Row) -> list[tree.Amount | tree.Name | None]:
    return [end for part in row.parts for end in (part.low, part.high)]
