"""Assembles a statement from its clauses and says what is missing or said twice."""

from dataclasses import dataclass, replace
from typing import Any

from lark import Token
from lark.tree import Meta
from lark.visitors import v_args

from verifier.facts.values import TITER
from verifier.language import tree
from verifier.language.builder import ExpressionBuilder, labelled, unquoted
from verifier.language.findings import Findings
from verifier.language.source import Span, Statement

MOST_AGAIN = 13  # of one kind of clause: who repeats it more often has said it by accident


@dataclass(frozen=True, slots=True)
class Clause:
    """One clause of a statement before it is put in its place."""

    kind: str
    value: Any
    span: Span


class Clauses:
    """The clauses of one statement, asked for by kind."""

    def __init__(self, parts: list[Any], whole: Span, findings: Findings) -> None:
        self._all = [part for part in parts if isinstance(part, Clause)]
        self._whole, self._findings = whole, findings

    def many(self, kind: str) -> list[Any]:
        """Return the values of every clause of a kind, in order."""
        return [clause.value for clause in self._all if clause.kind == kind]

    def one(self, kind: str, default: Any = None) -> Any:
        """Return the value of the only clause of a kind; a second one is a finding."""
        found = [clause for clause in self._all if clause.kind == kind]
        for again in found[1:MOST_AGAIN]:
            self._findings.add(
                "R105",
                again.span,
                f"a second {kind} in one statement",
                meaning="only one of them could count.",
                fix="keep one and delete the other",
                related=[found[0].span],
            )
        return found[0].value if found else default

    def need(self, kind: str, example: str) -> Any:
        """Return the value of a clause that must be there, or note that it is missing."""
        value = self.one(kind)
        if value is None:
            self._findings.add(
                "R106", self._whole, f"this statement has no line with {kind!r}", fix=example
            )
        return value


@v_args(meta=True)
class StatementBuilder(ExpressionBuilder):
    """Builds whole statements; `start` returns None when something needed is missing."""

    def __init__(self, statement: Statement, findings: Findings) -> None:
        super().__init__(statement)
        self._findings = findings

    def _clause(self, kind: str, value: Any, meta: Meta) -> Clause:
        return Clause(kind, value, self.span(meta))

    def _clauses(self, name: tree.Word, parts: list[Any]) -> Clauses:
        return Clauses(parts, name.span, self._findings)

    def start(self, meta: Meta, parts: list[Any]) -> Any:
        return parts[0]

    def group(self, meta: Meta, parts: list[Any]) -> tree.Group:
        return tree.Group(self.word(parts[0]), parts[1], span=self.span(meta))

    def parameter(self, meta: Meta, parts: list[Any]) -> tree.Parameter:
        name, value = self.word(parts[0]), parts[1]
        source = self._clauses(name, parts).one("from", "")
        return tree.Parameter(name, value, source, span=self.span(meta))

    def population(self, meta: Meta, parts: list[Any]) -> tree.Population:
        return tree.Population(self.word(parts[0]), parts[1], span=self.span(meta))

    # --- tests ---

    def test(self, meta: Meta, parts: list[Any]) -> tree.Test:
        name = self.word(parts[0])
        clauses = self._clauses(name, parts)
        unit, decimals = clauses.one("unit", (None, None))
        molar_mass = clauses.one("molar mass")
        return tree.Test(
            name=name,
            title=unquoted(parts[1]) if parts[1] else name.text,
            codes=tuple(clauses.one("code", ())),
            specimens=tuple(clauses.one("in", ())),
            unit=unit,
            decimals=clauses.one("decimals", decimals),
            conventional=clauses.one("conventional"),
            molar_mass=molar_mass,
            index=clauses.one("interference index", False),
            controlled=not clauses.one("uncontrolled", False),
            source=clauses.one("from", ""),
            span=self.span(meta),
        )

    def codes(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("code", parts, meta)

    def loinc(self, meta: Meta, parts: list[Token]) -> tree.Code:
        return tree.Code("LN", str(parts[0]), span=self.span(meta))

    def local(self, meta: Meta, parts: list[Token]) -> tree.Code:
        return tree.Code("L", unquoted(parts[0]), span=self.span(meta))

    def specimens(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._clause("in", [str(part) for part in parts], meta)

    def unit(self, meta: Meta, parts: list[Token]) -> Clause:
        unit, decimals = parts
        return self._clause("unit", (self.word(unit), self._count(decimals)), meta)

    def titer(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("unit", (tree.Word(TITER, span=self.span(meta)), None), meta)

    def decimals(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._clause("decimals", self._count(parts[0]), meta)

    def _count(self, token: Token | None) -> int | None:
        if token is None:
            return None
        if "." not in token and len(token) < 3 and int(token) <= 10:
            return int(token)
        span = self.word(token).span
        self._findings.add("R209", span, "decimals is a whole number, 0 to 10", fix="decimals 1")
        return 0

    def conventional(self, meta: Meta, parts: list[Token]) -> Clause:
        unit, decimals = self.word(parts[0]), self._count(parts[1]) or 0
        made = tree.Conventional(unit, decimals, span=self.span(meta))
        return self._clause("conventional", made, meta)

    def molar_mass(self, meta: Meta, parts: list[tree.Amount]) -> Clause:
        return self._clause("molar mass", parts[0], meta)

    def index(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("interference index", True, meta)

    def uncontrolled(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("uncontrolled", True, meta)

    def source(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._clause("from", unquoted(parts[0]), meta)

    # --- limits ---

    def limits(self, meta: Meta, parts: list[Any]) -> tree.Limits:
        names: tuple[tree.Word, ...] = parts[0]
        clauses = self._clauses(names[0], parts)
        return tree.Limits(
            names, tuple(clauses.many("row")), clauses.one("from", ""), span=self.span(meta)
        )

    def row(self, meta: Meta, parts: list[Any]) -> Clause:
        kind, population, specimen, values, source = parts
        who, what = self._maybe(population), self._maybe(specimen)
        said = source.value if source else ""
        row = tree.Row(kind, who, what, tuple(values), said, span=self.span(meta))
        return self._clause("row", row, meta)

    def parts(self, meta: Meta, parts: list[tree.Part]) -> list[tree.Part]:
        return parts

    def part_below(self, meta: Meta, parts: list[Any]) -> tree.Part:
        return tree.Part(None, self.amount_or_name(parts[0]), False, False, span=self.span(meta))

    def part_or_below(self, meta: Meta, parts: list[Any]) -> tree.Part:
        return tree.Part(None, self.amount_or_name(parts[0]), False, True, span=self.span(meta))

    def part_above(self, meta: Meta, parts: list[Any]) -> tree.Part:
        return tree.Part(self.amount_or_name(parts[0]), None, False, False, span=self.span(meta))

    def part_or_above(self, meta: Meta, parts: list[Any]) -> tree.Part:
        return tree.Part(self.amount_or_name(parts[0]), None, True, False, span=self.span(meta))

    def part_to(self, meta: Meta, parts: list[Any]) -> tree.Part:
        low, high = (self.amount_or_name(part) for part in parts)
        return tree.Part(_like(low, high), high, True, True, span=self.span(meta))

    def change_row(self, meta: Meta, parts: list[Any]) -> Clause:
        population, specimen, (most, each), within, source = parts
        who, what = self._maybe(population), self._maybe(specimen)
        said = source.value if source else ""
        window = self.amount_or_name(within)
        row = tree.ChangeRow(who, what, most, each, window, said, span=self.span(meta))
        return self._clause("row", row, meta)

    def most(self, meta: Meta, parts: list[Any]) -> tuple[tree.Amount | tree.ReferenceChange, str]:
        return parts[0], (parts[2] or "") if len(parts) > 2 else ""

    def most_lognormal(
        self, meta: Meta, parts: list[tree.ReferenceChange]
    ) -> tuple[tree.ReferenceChange, str]:
        return replace(parts[0], lognormal=True), ""

    def _maybe(self, token: Token | None) -> tree.Word | None:
        return self.word(token) if token else None

    # --- derived results ---

    def derive(self, meta: Meta, parts: list[Any]) -> tree.Derive | None:
        name = self.word(parts[0])
        clauses = self._clauses(name, parts)
        formula = clauses.need("formula", "formula  sodium - chloride - bicarbonate")
        unit, decimals = clauses.one("unit", (None, None))
        report, conventional_report = clauses.one("report as", (None, None))
        if formula is None:
            return None
        return tree.Derive(
            name=name,
            title=unquoted(parts[1]) if parts[1] else name.text,
            unit=unit,
            decimals=clauses.one("decimals", decimals),
            conventional=clauses.one("conventional"),
            molar_mass=clauses.one("molar mass"),
            population=clauses.one("for"),
            only_when=tuple(clauses.many("only when")),
            lets=tuple(clauses.many("let")),
            formula=formula,
            report=report,
            conventional_report=conventional_report,
            source=clauses.one("from", ""),
            span=self.span(meta),
        )

    def only_for(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._clause("for", self.word(parts[0]), meta)

    def only_when(self, meta: Meta, parts: list[Any]) -> Clause:
        condition, label = parts
        made = tree.OnlyWhen(condition, labelled(label), span=self.span(meta))
        return self._clause("only when", made, meta)

    def let(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause(
            "let", tree.Let(self.word(parts[0]), parts[1], span=self.span(meta)), meta
        )

    def formula(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("formula", parts[0], meta)

    def report(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("report as", tuple(parts), meta)

    def names(self, meta: Meta, parts: list[Token]) -> tuple[tree.Word, ...]:
        return tuple(self.word(part) for part in parts)


def _like(low: tree.Amount | tree.Name, high: tree.Amount | tree.Name) -> tree.Amount | tree.Name:
    """Return the lower end in the unit said at the upper one: 0.50 to 1.20 mg/dL."""
    if isinstance(low, tree.Name) or isinstance(high, tree.Name):
        return low
    bare = low.unit is None and high.unit != TITER
    return replace(low, unit=high.unit) if bare else low
