"""Checks a whole rule set and compiles it when nothing is wrong."""

from collections.abc import Iterable, Mapping
from datetime import timedelta

from msgspec import Struct

from verifier.language import facttexts
from verifier.language.derived import Formulas
from verifier.language.diagnostics import Diagnostic
from verifier.language.expressions import Expressions
from verifier.language.findings import Findings
from verifier.language.groups import without_groups
from verifier.language.limits import LimitTables
from verifier.language.memory import Memory
from verifier.language.parameters import site_source, with_site_values
from verifier.language.partitions import check_partitions
from verifier.language.program import ParameterSummary, Program, RuleSummary
from verifier.language.reader import Known, Reading, read
from verifier.language.reuse import Reuse
from verifier.language.rules import CompiledRule, Rules
from verifier.language.scenarios import Examples
from verifier.language.source import Source
from verifier.language.symbols import Symbols, collect
from verifier.language.tables import Tables
from verifier.language.usefulness import check_usefulness
from verifier.language.watching import Watch

MOST_CHARACTERS = 1_000_000  # fifty times the shipped rules; bounds the time of a check


class Checked(Struct, frozen=True):
    """What a check found. `program` is None when anything found is an error."""

    program: Program | None
    diagnostics: tuple[Diagnostic, ...]


def check(
    files: Mapping[str, str],
    parameters: Mapping[str, str] | None = None,
    *,
    conventional: bool = False,
    watch: Watch | None = None,
    known: Known | None = None,
    memory: Memory | None = None,
    known_right: bool = False,
) -> Checked:
    """Check rule files (name to text) as one rule set and compile it.

    `parameters` are the values a site sets, such as ``{"hemolysis_limit": "0.6 g/L"}``. With
    `conventional`, what is said is in conventional units where the rules name one; what is decided
    is the same, and so is the identity. Never raises for any text. The order of files has no
    meaning. With a `watch` the program tells what its conditions answer; it is slower, and judges
    the same. Statements that are `known` are not read again, whatever stands before them; findings
    about them name the place where they were read. With the `memory` of an earlier check the same
    is found and made, faster, however the files differ. Texts that are `known_right`, because this
    program found no error in them before, are compiled without being tried on patients again.
    """
    if memory is None or watch:  # a watch hears of what is compiled with it, not before
        memory = Memory()
    memory.begin()
    if sum(map(len, files.values())) > MOST_CHARACTERS:
        return Checked(None, (_too_much(files),))
    sources = {name: Source(name, files[name]) for name in sorted(files)}
    site = site_source(parameters or {})
    findings = Findings(sources | {site.file: site})
    reading = _complete(read(sources, findings, known, memory), site, findings, memory)
    symbols = collect(reading, findings, memory, conventional=conventional)
    if not reading.declarations and not findings.has_errors:
        return Checked(None, (_nothing(sources),))
    expressions = Expressions(symbols, LimitTables(symbols.title), findings, watch)
    world = conventional, symbols.specimens()
    reuse = Reuse(reading, world, findings, memory, expressions.reach)
    formulas = Formulas(expressions, reuse)
    populations = formulas.populations()
    Tables(expressions, reuse).fill()
    derived = formulas.compiled()
    by_test, of_specimen = Rules(expressions, reuse).compiled()
    examples = Examples(expressions, reuse)
    scenarios, guarantees = examples.scenarios(), examples.guarantees()
    if not findings.has_errors and not known_right:
        check_partitions(
            expressions.tables, symbols.populations, populations, symbols.parameters, findings,
            memory,
        )  # fmt: skip
        _check_cover(symbols, by_test, reading, findings)
        _check_watched(symbols, expressions.tables, by_test, findings)
        check_usefulness(expressions, reuse, world)
    if findings.has_errors:
        return Checked(None, findings.report())
    program = Program(
        catalogue=symbols.catalogue(),
        rules=_summaries(symbols, by_test),
        longest_window=max(expressions.reach.windows, default=timedelta(0)),
        needs_preceding=frozenset(expressions.reach.preceding),
        by_test=by_test,
        of_specimen=of_specimen,
        formulas=derived,
        populations=populations,
        tables=expressions.tables,
        kinds=symbols.kinds,
        parameters=_parameters(symbols),
        scenarios=scenarios,
        guarantees=guarantees,
        statements=reading.declarations,
    )
    return Checked(program, findings.report())


def _complete(reading: Reading, site: Source, findings: Findings, memory: Memory) -> Reading:
    """Put the values of the site in, and the tests of groups where groups are named."""
    declarations = with_site_values(reading.declarations, site, findings, memory)
    return without_groups(Reading(declarations, reading.broken), findings, memory)


def _too_much(files: Mapping[str, str]) -> Diagnostic:
    largest = max(sorted(files), key=lambda name: len(files[name]))
    total = sum(map(len, files.values()))
    return Diagnostic(
        "R200", largest, 1, 1, 2, "error", f"the rule files have {total:,} characters together",
        f"more than {MOST_CHARACTERS:,} are not read: nobody could review them. This file is the "
        "largest.", "look whether this is a rule file at all",
    )  # fmt: skip


def _nothing(sources: Mapping[str, Source]) -> Diagnostic:
    file = next(iter(sources), "")
    return Diagnostic(
        "R500", file, 1, 1, 2, "error", "there are no statements here",
        "with no rules nothing is covered, and nothing would be released.",
        "write at least one test, its limits and one rule",
    )  # fmt: skip


def _check_cover(
    symbols: Symbols,
    by_test: Mapping[str, list[CompiledRule]],
    reading: Reading,
    findings: Findings,
) -> None:
    if not symbols.rules:
        place = next(iter(symbols.places.values()), reading.declarations[0])
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


def _check_watched(
    symbols: Symbols,
    tables: LimitTables,
    by_test: Mapping[str, list[CompiledRule]],
    findings: Findings,
) -> None:
    """Note tests with neither a critical nor a change limit; an index needs none."""
    for name, test in symbols.tests.items():
        limited = (name, "critical") in tables.rows or name in tables.changes
        if limited or test.kind == "index" or not by_test[name]:
            continue
        control = "" if test.controlled else ", and no control"
        findings.add(
            "R408", symbols.places[name].span,
            f"{name} has no critical limit and no change limit{control}", severity="note",
            meaning="an extreme value or a mixed-up specimen would be held by other rules only.",
            fix=f"limits for {name} … critical … change …",
        )  # fmt: skip


def _parameters(symbols: Symbols) -> tuple[ParameterSummary, ...]:
    return tuple(
        ParameterSummary(name, *facttexts.amount_parts(item.value), item.source)
        for name, item in sorted(symbols.parameters.items())
    )


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
