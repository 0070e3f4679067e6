"""The scenarios of some rule files, run in a process of its own: no message waits for them."""

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor

from msgspec import Struct

from verifier.assurance.failing import findings_of
from verifier.assurance.running import run_scenario
from verifier.errors import RuleSetError
from verifier.language import Diagnostic, Program, check
from verifier.rulefiles import Units, without_marks
from verifier.service.aside import processes
from verifier.store.rulerows import RuleTexts

_AT_ONCE = 20  # scenarios between two tidings of how far it is


class Tested(Struct, frozen=True):
    """What the scenarios of some texts showed: how many there are, and each that fails."""

    hash: str
    scenarios: int
    failing: tuple[Diagnostic, ...]


def run_scenarios(written: RuleTexts, units: Units, progress: Callable[[int, int], None]) -> Tested:
    """Run every scenario of a rule set as a site uses it; return what failed, by place.

    `progress` is called in this thread with how many were run, and of how many; when it raises, no
    more are run.

    Raises:
        RuleSetError: the rule set has errors.
    """
    with processes(1) as process:
        try:
            count = process.submit(_compile, written, units).result()
            if count is None:
                raise RuleSetError("It has errors; mend them first.")
            failing = sorted(_failing(process, count, progress), key=_place)
        finally:
            process.shutdown(cancel_futures=True)
    return Tested(written.hash, count, tuple(failing))


def _failing(
    process: ProcessPoolExecutor, count: int, progress: Callable[[int, int], None]
) -> Iterator[Diagnostic]:
    for first in range(0, count, _AT_ONCE):
        yield from process.submit(_run, first).result()
        progress(min(first + _AT_ONCE, count), count)


def _place(item: Diagnostic) -> tuple[str, int, int]:
    return item.file, item.line, item.column


# --- in the other process ---

_compiled: tuple[Program, dict[str, str]] | None = None


def _compile(written: RuleTexts, units: Units) -> int | None:
    """Return how many scenarios there are, None when there are errors."""
    global _compiled
    files = without_marks(written.files)
    program = check(files, written.parameters, conventional=units == "conventional").program
    if program is None:
        return None
    _compiled = program, files
    return len(program.scenarios)


def _run(first: int) -> tuple[Diagnostic, ...]:
    assert _compiled is not None
    program, files = _compiled
    runs = [run_scenario(program, item) for item in program.scenarios[first : first + _AT_ONCE]]
    return findings_of(runs, files)
