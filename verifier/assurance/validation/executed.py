"""What was executed: scenarios, edges, coverage, mistakes; first what is not as it should be."""

from collections import Counter
from collections.abc import Iterator

from verifier.assurance.asking import EdgeRun
from verifier.assurance.coverage import COUNTED
from verifier.assurance.killing import FATES
from verifier.assurance.running import Ran
from verifier.assurance.survivors import FATE_WORDS
from verifier.assurance.telling import EDGES_FOLLOW, answer_words, missing_lines, where
from verifier.assurance.validation.evidence import counted
from verifier.assurance.validation.standing import Standing
from verifier.assurance.validation.wording import scenario_expected, scenario_given
from verifier.assurance.writing import given
from verifier.documents.document import Block, Cell, Column, Paragraph, Section, Table
from verifier.facts.values import TITER
from verifier.language.scene import plain


def not_passed(standing: Standing) -> Section:
    """Return everything that failed or was not tested, in full."""
    tested = standing.tested
    failed = [ran for ran in tested.ran if not ran.passed]
    unanswered = [run for run in tested.edges if not run.asked]
    sections = (
        Section("Scenarios that fail", (_failed_scenarios(standing, failed),)),
        Section("Edges decided otherwise than written",
                (edge_table(standing, list(tested.failed_edges), named=True),)),
        Section("Edges without an answer", (
            Paragraph("No rule asks for these limits, and they set no flag: nothing was tested."),
            edge_table(standing, unanswered, named=True),
        )),
        Section("Rules, conditions and values that were not covered", (_uncovered(standing),)),
        Section("Mistakes that nothing noticed", tuple(_unnoticed(standing))),
    )  # fmt: skip
    return Section("Not passed and not tested", (), sections, new_page=True)


def _failed_scenarios(standing: Standing, failed: list[Ran]) -> Table:
    rows = []
    for ran in failed:
        for answer in ran.answers:
            if not answer.met:
                place = where(answer.place or ran.scenario.place, standing.sources)
                why = "\n".join(answer.reasons)
                rows.append((ran.scenario.name, answer.wanted, Cell(answer.happened, "bad"), why,
                             place))  # fmt: skip
    columns = (Column("scenario", 2.4), Column("expected", 2), Column("happened", 2),
               Column("because", 3), Column("place", 1.6))  # fmt: skip
    return Table(columns, tuple(rows), empty="none")


def _uncovered(standing: Standing) -> Table:
    rows = tuple(missing_lines(standing.tested.coverage.missing, standing.sources))
    columns = (Column("place", 2.4), Column("what", 4), Column("missing", 2.6))
    return Table(columns, rows, empty="none")


def _unnoticed(standing: Standing) -> Iterator[Block]:
    verdicts = standing.evidence.verdicts
    if verdicts is None:
        yield Paragraph("Not run.", "bad")
        return
    rows = tuple(
        (where(item.mutant.place, standing.sources), item.mutant.what,
         Cell(item.scenario, "code") if item.scenario else "none was found")
        for item in verdicts
        if item.fate == "survived"
    )  # fmt: skip
    columns = (Column("place", 2), Column("mistake", 3), Column("scenario that would notice", 5))
    yield Table(columns, rows, empty="none of those that were put in")


def scenarios(standing: Standing) -> Section:
    """Return every scenario as it was run."""
    catalogue = standing.program.catalogue
    rows = tuple(
        (
            f"{ran.scenario.name}\n{where(ran.scenario.place, standing.sources)}",
            scenario_given(catalogue, ran.scenario),
            scenario_expected(ran.scenario),
            ran.scenario.source or "not said",
            Cell("as expected") if ran.passed else Cell("FAILS", "bad"),
        )
        for ran in standing.tested.ran
    )
    columns = (Column("scenario", 2.3), Column("given", 3.4), Column("expected", 2.4),
               Column("source", 2), Column("result", 1.2))  # fmt: skip
    table = Table(columns, rows, empty="there are no scenarios")
    return Section("Scenarios executed", (table,), new_page=True)


def edges(standing: Standing) -> Section:
    """Return every edge case as it was run, test by test."""
    by_test: dict[str, list[EdgeRun]] = {}
    for run in standing.tested.edges:
        by_test.setdefault(run.case.test, []).append(run)
    sections = tuple(
        Section(standing.program.named(name)[0], (edge_table(standing, runs),))
        for name, runs in sorted(by_test.items(), key=lambda item: _title(standing, item[0]))
    )
    about = Paragraph(
        "For each edge of each limit: a value one step below, at, and one step above it. The unit "
        f"is the one the test is declared in. {EDGES_FOLLOW}"
    )
    return Section("Edges executed", (about,), sections, new_page=True)


def _title(standing: Standing, test: str) -> str:
    return standing.program.named(test)[0].lower()


def edge_table(standing: Standing, runs: list[EdgeRun], *, named: bool = False) -> Table:
    """Return edge cases as they were run; `named` puts the test before each."""
    columns: tuple[Column, ...] = (
        Column("limit", 3), Column("value", 1.5), Column("given", 3), Column("must be", 2),
        Column("was", 2), Column("result", 1.3),
    )  # fmt: skip
    rows = [_edge_row(standing, run) for run in runs]
    if named:
        columns = (Column("test", 1.6), *columns)
        rows = [(run.case.test, *row) for run, row in zip(runs, rows, strict=True)]
    return Table(columns, tuple(rows), empty="none")


def _edge_row(standing: Standing, run: EdgeRun) -> tuple[Cell | str, ...]:
    case = run.case
    value = plain(case.value, TITER if case.titer else "")
    what = given(standing.program.catalogue, case.step) if case.step else "no case was made"
    said = ", ".join(sorted(answer_words(case, answer) for answer in run.answers))
    if not run.asked:
        result = Cell("no answer", "bad")
    else:
        result = Cell("as written") if run.passed else Cell("FAILS", "bad")
    must = answer_words(case, case.expected)
    told = said or case.why_not or "no rule asks"
    return case.words, f"{case.side}: {value}", what, must, told, result


def coverage_table(standing: Standing) -> Table:
    """Return what is covered, counted."""
    rows = []
    for what in COUNTED:
        covered, of = standing.tested.coverage.count(what)
        left = of - covered
        rows.append((what, str(covered), str(of), Cell(str(left), "bad" if left else "")))
    columns = (Column("what", 5), Column("covered", right=True), Column("of", right=True),
               Column("not covered", right=True))  # fmt: skip
    return Table(columns, tuple(rows))


def coverage(standing: Standing) -> Section:
    """Return what is covered, and how it is counted."""
    about = Paragraph(
        "Rules and parts of conditions count as covered by scenarios alone, since an edge case "
        "expects something of a limit and nothing of a rule."
    )
    return Section("Coverage", (about, coverage_table(standing)))


def mistakes(standing: Standing) -> Section:
    """Return how many small mistakes were noticed, and by what."""
    evidence = standing.evidence
    if evidence.verdicts is None:
        return Section("Small mistakes put into the rules", (Paragraph("Not run.", "bad"),))
    count = Counter(verdict.fate for verdict in evidence.verdicts)
    rows = tuple((FATE_WORDS[fate], str(count[fate])) for fate in FATES)
    about = Paragraph(
        f"{counted(len(evidence.verdicts), evidence.mistakes)} were put into the rules as they are "
        f"written, one at a time (seed {evidence.seed}): limits moved by a step, operators turned, "
        "choices on unknown inverted, rules left out. Values set by the site do not count here."
    )
    columns = (Column("what became of them", 5), Column("mistakes", right=True))
    return Section("Small mistakes put into the rules", (about, Table(columns, rows)))
