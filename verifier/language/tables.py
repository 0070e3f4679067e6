"""Fills the limit tables from the statements and checks the rows against each other."""

from decimal import Decimal

from verifier.language import kinds, tree
from verifier.language.earlier import Past
from verifier.language.expressions import Expressions
from verifier.language.facttexts import past_fact
from verifier.language.kinds import Kind
from verifier.language.limits import ChangeLimit, LimitRow, Stretch
from verifier.language.source import Span
from verifier.language.spelled import spelled
from verifier.language.symbols import note_unknown_unit


class Tables:
    """Turns limit statements into rows in the unit of each test."""

    def __init__(self, expressions: Expressions) -> None:
        self._all = expressions
        self._findings, self._symbols = expressions.findings, expressions.symbols

    def fill(self) -> None:
        """Read every limits statement of the rule set."""
        for limits in self._symbols.limits:
            for row in limits.rows:
                self._check_row(row, limits)
            for test in limits.tests:
                self._fill_test(test, limits)
        for rows in self._all.tables.rows.values():
            self._check_repeats(rows)
        for changes in self._all.tables.changes.values():
            self._check_repeats(changes)
        self._check_against_each_other()

    def _check_row(self, row: tree.Row | tree.ChangeRow, limits: tree.Limits) -> None:
        known = self._symbols.populations
        who = row.population
        if (
            who
            and who.text != "everyone"
            and who.text not in known | dict.fromkeys(self._symbols.broken)
        ):
            self._findings.unknown_name(who.span, who.text, [*known, "everyone"], "population")
        if not (row.source or limits.source):
            self._findings.add(
                "R303", row.span, "this limit has no source",
                meaning="nobody could say later where the number comes from.",
                fix='add: from "our procedure CHEM-014 v7"',
            )  # fmt: skip

    def _fill_test(self, test: tree.Word, limits: tree.Limits) -> None:
        kind = self._symbols.kind(test.text)
        if kind is None:
            known = self._symbols.judged()
            self._findings.unknown_name(test.span, test.text, known, "test or derived result")
            return
        if kind.what == "broken":
            return
        for row in limits.rows:
            source = row.source or limits.source
            if isinstance(row, tree.ChangeRow):
                self._add_change(test.text, kind, row, source)
            else:
                self._add_row(test.text, kind, row, source)

    def _population(self, row: tree.Row | tree.ChangeRow) -> str:
        name = row.population.text if row.population else ""
        return name if name in self._symbols.populations else ""

    def _add_row(self, test: str, kind: Kind, row: tree.Row, source: str) -> None:
        stretches = []
        for part in row.parts:
            low, high = self._in_unit(part.low, kind), self._in_unit(part.high, kind)
            if (part.low and low is None) or (part.high and high is None):
                return
            if low is not None and high is not None and low >= high:
                self._findings.add(
                    "R301", part.span, f"{part.low and part.low.value} is not below the other end",
                    meaning="no value lies between them.", fix="swap the two numbers",
                )  # fmt: skip
                return
            stretches.append(Stretch(low, part.low_included, high, part.high_included))
        made = LimitRow(
            row.kind, self._population(row), tuple(stretches), kind.unit, source, row.span
        )
        self._all.tables.add(test, made)

    def _in_unit(self, amount: tree.Amount | None, kind: Kind) -> Decimal | None:
        """Return a limit in the unit of the test; a bare number is in that unit."""
        if amount is None:
            return None
        if amount.unit is None:
            return amount.value
        written = kinds.number(amount.unit)
        if written is None:
            note_unknown_unit(amount.span, amount.unit, self._findings)
            return None
        factor = kinds.ratio(written, kind)
        if factor is None:
            self._findings.add(
                "R203", amount.span, f"the test is in {kinds.shown(kind)}",
                meaning="the limit would be set against a number in another unit.",
                fix=f"{amount.value} {kind.unit}, if that is the number you mean",
            )  # fmt: skip
            return None
        return amount.value * factor.numerator / factor.denominator

    def _add_change(self, test: str, kind: Kind, row: tree.ChangeRow, source: str) -> None:
        window = self._all.numeric.period(row.window)
        percent = row.most.unit == "%"
        most = row.most.value if percent else self._in_unit(row.most, kind)
        if window is None or most is None:
            return
        title = self._symbols.title(test)
        past = Past(test, title, kind.unit, window, spelled(row.window))
        unit = "" if percent or row.most.unit else f" {kind.unit}"
        written = spelled(row.most)
        text = f"at most {written}{unit} within {spelled(row.window)}"
        made = ChangeLimit(
            self._population(row), most, percent, past, window, text, source, row.span
        )
        self._all.numeric.windows.add(window)
        self._all.tables.changes.setdefault(test, []).append(made)
        fact = past_fact(past, title, self._symbols.decimals(test), kind.unit)
        self._all.tables.past_facts.setdefault(test, fact)

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

    def _no_critical_inside(
        self, critical: list[LimitRow], others: list[LimitRow], what: str
    ) -> None:
        for row in critical:
            for other in others:
                if row.population != other.population or not _meet(row, other):
                    continue
                severity = "error" if what == "reference" else "warning"
                self._findings.add(
                    "R304", row.span, f"critical values lie inside the {what} interval",
                    meaning=f"{row.text()} against {other.text()}.",
                    fix="move one of the two limits", related=[other.span],
                    severity="error" if severity == "error" else "warning",
                )  # fmt: skip


def _meet(left: LimitRow, right: LimitRow) -> bool:
    return any(_overlap(a, b) for a in left.stretches for b in right.stretches)


def _overlap(left: Stretch, right: Stretch) -> bool:
    """Return whether two stretches share a value."""
    for first, second in ((left, right), (right, left)):
        low, high = first.low, second.high
        if low is None or high is None:
            continue
        if low > high or (low == high and not (first.low_included and second.high_included)):
            return False
    return True
