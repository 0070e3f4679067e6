"""Runs the mutants of a rule set on several processors."""

from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.assurance.killing import Tests, Verdict

_HANDFUL = 8  # mutants a process takes at a time
_tests: "Tests | None" = None  # of this worker, made once


def judged(
    files: Mapping[str, str],
    *,
    seed: int,
    jobs: int,
    limit: int | None,
    tell: Callable[[str, int, int], None],
) -> tuple[list["Verdict"], int]:
    """Return what became of the mutants, in the order of the files, and how many there are.

    With a `limit` that many are drawn, by the seed; the same seed draws and finds the same.
    """
    from verifier.assurance.killing import Tests

    tests = Tests(files, seed)
    of = len(tests.mutants)
    chosen = list(range(of))
    if limit is not None and limit < of:
        chosen = sorted(Random(seed).sample(chosen, limit))  # noqa: S311 - nothing secret
    if jobs == 1:
        found = {}
        for number in chosen:
            found[number] = tests.judge(tests.mutants[number])
            tell("mistakes", len(found), len(chosen))
    else:
        found = _in_processes(files, seed, jobs, chosen, tell)
    return [found[number] for number in chosen], of


def _in_processes(
    files: Mapping[str, str],
    seed: int,
    jobs: int,
    chosen: list[int],
    tell: Callable[[str, int, int], None],
) -> dict[int, "Verdict"]:
    handfuls = [chosen[n : n + _HANDFUL] for n in range(0, len(chosen), _HANDFUL)]
    found: dict[int, Verdict] = {}
    context = get_context("spawn")  # a fork would copy what threads of the caller hold
    with ProcessPoolExecutor(jobs, context, _begin, (dict(files), seed)) as pool:
        for done in as_completed([pool.submit(_judge, handful) for handful in handfuls]):
            found |= done.result()
            tell("mistakes", len(found), len(chosen))
    return found


def _begin(files: dict[str, str], seed: int) -> None:
    from verifier.assurance.killing import Tests

    global _tests
    _tests = Tests(files, seed)


def _judge(numbers: list[int]) -> dict[int, "Verdict"]:
    assert _tests is not None
    return {number: _tests.judge(_tests.mutants[number]) for number in numbers}
