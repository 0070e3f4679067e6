"""Checks a whole rule set and compiles it when nothing is wrong."""

from collections.abc import Iterable, Mapping
from datetime import timedelta

from msgspec import Struct

from verifier.language.derived import Formulas
from verifier.language.diagnostics import Diagnostic
from verifier.language.expressions import Expressions
from verifier.language.findings import Findings
from verifier.language.identity import identity
from verifier.language.limits import LimitTables
from verifier.language.partitions import check_partitions
from verifier.language.program import Program, RuleSummary
from verifier.language.reader import read
from verifier.language.rules import CompiledRule, Rules
from verifier.language.source import Source
from verifier.language.symbols import Symbols, collect
from verifier.language.tables import Tables


class Checked(Struct, frozen=True):
    """What a check found. `program` is None when anything found is an error."""

    program: Program | None
    diagnostics: tuple[Diagnostic, ...]


def check(files: Mapping[str, str]) -> Checked:
    """Check rule files (name to text) as one rule set and compile it.

    Never raises for any text. The order of files has no meaning.
    """
    sources = {name: Source(name, files[name]) for name in sorted(files)}
    findings = Findings(sources)
    reading = read(sources, findings)
    symbols = collect(reading, findings)
    if not reading.declarations and not findings.has_errors:
        return Checked(None, (_nothing(sources),))
    expressions = Expressions(symbols, LimitTables(symbols.title), findings)
    formulas = Formulas(expressions)
    populations = formulas.populations()
    Tables(expressions).fill()
    derived = formulas.compiled()
    by_test, of_specimen = Rules(expressions).compiled()
    if not findings.has_errors:
        check_partitions(expressions.tables, symbols.populations, populations, findings)
        _check_cover(symbols, by_test, findings)
    if findings.has_errors:
        return Checked(None, findings.report())
    windows = expressions.numeric.windows
    program = Program(
        identity=identity(reading.declarations),
        catalogue=symbols.catalogue(),
        rules=_summaries(symbols, by_test),
        longest_window=max(windows, default=timedelta(0)),
        by_test=by_test,
        of_specimen=of_specimen,
        formulas=derived,
        populations=populations,
        tables=expressions.tables,
    )
    return Checked(program, findings.report())


def _nothing(sources: Mapping[str, Source]) -> Diagnostic:
    file = next(iter(sources), "")
    return Diagnostic(
        "R500", file, 1, 1, 2, "error", "there are no statements here",
        "with no rules nothing is covered, and nothing would be released.",
        "write at least one test, its limits and one rule",
    )  # fmt: skip


def _check_cover(
    symbols: Symbols, by_test: Mapping[str, list[CompiledRule]], findings: Findings
) -> None:
    if not symbols.rules:
        place = next(iter(symbols.places.values()), None) or symbols.limits[0]
        findings.add(
            "R500", place.span, "this rule set has no rule",
            meaning="nothing would be covered, and so nothing released.",
            fix="rule critical for every test …",
        )  # fmt: skip
        return
    for name in symbols.tests:
        if not by_test[name]:
            findings.add(
                "R404", symbols.places[name].span, f"no rule says anything about {name}",
                severity="warning", meaning="its results are always held.",
                fix=f"limits for {name} …",
            )  # fmt: skip


def _summaries(
    symbols: Symbols, by_test: Mapping[str, Iterable[CompiledRule]]
) -> tuple[RuleSummary, ...]:
    tests: dict[str, list[str]] = {name: [] for name in symbols.rules}
    for test, rules in sorted(by_test.items()):
        for rule in rules:
            tests[rule.name].append(test)
    return tuple(
        RuleSummary(name, rule.because.text, rule.source, tuple(tests[name]))
        for name, rule in sorted(symbols.rules.items())
    )
