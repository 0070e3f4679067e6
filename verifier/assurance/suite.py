"""Everything `verifier rules test` runs: scenarios, edge cases, and the coverage of both."""

from collections.abc import Mapping

from msgspec import Struct

from verifier.assurance.asking import EdgeRun, Progress, quiet, run_edges
from verifier.assurance.changes import change_edges
from verifier.assurance.coverage import Coverage, Seen, Touched, coverage_of
from verifier.assurance.edges import EdgeCase, limit_edges
from verifier.assurance.persons import Persons
from verifier.assurance.running import Ran, run_scenario
from verifier.assurance.watching import Recorder
from verifier.language.parameters import FILE, site_source
from verifier.language.program import Program
from verifier.language.ruleset import check
from verifier.language.source import Source


class SuiteRun(Struct, frozen=True):
    """What came of testing a rule set; `touched` goes with `ran`, one for each scenario."""

    program: Program
    sources: dict[str, Source]
    ran: tuple[Ran, ...]
    edges: tuple[EdgeRun, ...]
    coverage: Coverage
    touched: tuple[Touched, ...]

    @property
    def passed(self) -> bool:
        """Whether there are scenarios, all of them come true, and every edge is as written."""
        return bool(self.ran) and all(r.passed for r in self.ran) and not self.failed_edges

    @property
    def failed_edges(self) -> tuple[EdgeRun, ...]:
        """The edge cases of which a limit said something else than is written."""
        return tuple(run for run in self.edges if not run.passed)


def run_suite(
    files: Mapping[str, str],
    tell: Progress = quiet,
    parameters: Mapping[str, str] | None = None,
    *,
    conventional: bool = False,
) -> SuiteRun | None:
    """Run everything there is to run of some rule files; None when they have errors.

    `parameters` are the values of a site; what is run is the rule set as that site uses it.
    """
    recorder = Recorder()
    program = check(files, parameters, conventional=conventional, watch=recorder).program
    if program is None:
        return None
    sources = {name: Source(name, text) for name, text in files.items()}
    if parameters:
        sources[FILE] = site_source(parameters)
    seen = Seen(program, recorder)
    ran, touched = [], []
    for number, scenario in enumerate(program.scenarios, start=1):
        recorder.taken()
        ran.append(run_scenario(program, scenario, seen.take))
        touched.append(seen.touched())
        tell("scenarios", number, len(program.scenarios))
    edges = run_edges(program, recorder, edge_cases(program, sources), tell)
    coverage = coverage_of(program, recorder, sources, seen, edges)
    return SuiteRun(program, sources, tuple(ran), edges, coverage, tuple(touched))


def edge_cases(program: Program, sources: Mapping[str, Source]) -> list[EdgeCase]:
    """Return the edge cases of every limit row, in the order of tests."""
    persons = Persons(program)
    return [*limit_edges(program, sources, persons), *change_edges(program, sources, persons)]
