"""The tests of a rule set with their limits, and the derived results."""

from collections import defaultdict
from collections.abc import Iterator
from functools import cache

from verifier.assurance.asking import EdgeRun
from verifier.assurance.validation.evidence import counted
from verifier.assurance.validation.standing import Standing
from verifier.assurance.validation.wording import formula_text
from verifier.documents.document import Block, Cell, Column, Pairs, Section, Table
from verifier.facts.catalogue import TestDefinition
from verifier.language import tree
from verifier.language.limitlist import LimitLine

_LIMITS = (
    Column("limit", 1.5), Column("for", 1.7), Column("values", 2.6), Column("source", 4),
    Column("edges as written", 1.4),
)  # fmt: skip


def tests(standing: Standing) -> Section:
    """Return a section for each test, after who the limits are for."""
    found = standing.program.catalogue.tests
    sections = tuple(
        Section(item.title, tuple(_of_test(standing, item)))
        for item in sorted(found.values(), key=lambda item: item.title.lower())
    )
    return Section("Tests and limits", (_populations(standing),), sections, new_page=True)


def _populations(standing: Standing) -> Table:
    rows = tuple(
        (item.name.text, standing.sentences.words(item.condition))
        for item in standing.program.statements
        if isinstance(item, tree.Population)
    )
    columns = (Column("population", 2), Column("these are patients with", 6))
    return Table(columns, rows, "Who the limits are for", "Limits are for everyone.")


def _of_test(standing: Standing, item: TestDefinition) -> Iterator[Block]:
    yield Pairs(tuple(_facts(item)))
    yield limit_table(standing, item.name)


def _facts(item: TestDefinition) -> Iterator[tuple[str, str]]:
    yield "name in the rules", item.name
    systems = {"LN": "LOINC", "L": "local"}
    codes = [f"{systems.get(system, system)} {code}" for system, code in item.codes]
    yield "codes", ", ".join(codes) or "none"
    yield "specimen", ", ".join(item.specimens) or "any"
    unit = item.unit or item.kind
    yield "unit", unit if item.decimals is None else f"{unit}, {item.decimals} decimals"
    if item.present:
        yield "shown in", item.present.unit
    if item.molar_mass:
        yield "molar mass", f"{item.molar_mass} g/mol"
    if not item.controlled:
        yield "control", "declared uncontrolled: no control state is asked for"


def limit_table(standing: Standing, name: str) -> Table:
    """Return the limits of a test or derived result, with what became of their edges."""
    edges = _edges(standing)
    lines = [line for line in standing.limits if line.test == name]
    rows = tuple(
        (line.kind, line.population, line.values, _sourced(line),
         _edge_cell(edges[name, line.kind, _whom(line)]))
        for line in lines
    )  # fmt: skip
    return Table(_LIMITS, rows, empty="No limits.")


def _sourced(line: LimitLine) -> Cell | str:
    doubtful = not line.source or "no source" in line.source or "from memory" in line.source
    return Cell(line.source or "no source is given", "strong") if doubtful else line.source


def _whom(line: LimitLine) -> str:
    return "" if line.population == "everyone" else line.population


def _edge_cell(runs: list[EdgeRun]) -> Cell:
    passed = sum(run.asked and run.passed for run in runs)
    wrong = sum(not run.passed for run in runs)
    if wrong:
        return Cell(f"{counted(passed, len(runs))}, {wrong} FAIL", "bad")
    return Cell(counted(passed, len(runs)), "" if runs and passed == len(runs) else "bad")


@cache
def _edges(standing: Standing) -> dict[tuple[str, str, str], list[EdgeRun]]:
    found: dict[tuple[str, str, str], list[EdgeRun]] = defaultdict(list)
    for run in standing.tested.edges:
        found[run.case.test, run.case.kind, run.case.population].append(run)
    return found


def derived(standing: Standing) -> Section:
    """Return a section for each derived result."""
    sections = tuple(
        Section(item.title or item.name.text, tuple(_of_derived(standing, item)))
        for item in standing.derived
    )
    return Section("Derived results", (), sections, new_page=True)


def _only(standing: Standing, gate: tree.OnlyWhen) -> str:
    return f"{standing.sentences.words(gate.condition)}; otherwise: {gate.reason}"


def _of_derived(standing: Standing, item: tree.Derive) -> Iterator[Block]:
    name = item.name.text
    pairs: list[tuple[str, Cell | str]] = [
        ("name in the rules", name),
        ("formula", Cell(formula_text(item), "code")),
    ]
    if item.unit:
        decimals = "" if item.decimals is None else f", {item.decimals} decimals"
        pairs.append(("unit", f"{item.unit.text}{decimals}"))
    if item.population:
        pairs.append(("for", item.population.text))
    pairs += [("only when", _only(standing, w)) for w in item.only_when]
    pairs.append(("worked out from", ", ".join(standing.program.inputs(name)) or "nothing"))
    report = item.report
    pairs.append(("reported as", f"{report.system} {report.code}" if report else "not reported"))
    pairs.append(("source of the formula", item.source or Cell("no source is given", "strong")))
    yield Pairs(tuple(pairs))
    if any(line.test == name for line in standing.limits):
        yield limit_table(standing, name)
