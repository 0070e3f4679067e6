"""Measures forty rules on one result: ours, by hand in Python, and in general-purpose engines."""

from collections.abc import Callable, Sequence
from time import process_time
from typing import Any

from verifier.bench import byhand, engines
from verifier.bench.forty import cases, rule_set
from verifier.bench.measure import Measured
from verifier.facts.ages import completed
from verifier.facts.case import Case
from verifier.facts.values import Number
from verifier.language.program import Program
from verifier.language.ruleset import check

HANDFUL, REPEATS = 20, 9


def program() -> Program:
    """Return the forty rules compiled."""
    made = check({"forty.rules": rule_set()}).program
    assert made is not None
    return made


def facts(case: Case) -> dict[str, Any]:
    """Return what a case says as plain numbers, with age and earlier result looked up."""
    found: dict[str, Any] = {
        result.test: float(result.value.value)
        for result in case.results
        if isinstance(result.value, Number)
    }
    before = case.earlier["potassium"][0].value
    assert case.patient is not None
    assert case.patient.birth is not None
    assert case.specimen.collected is not None
    assert isinstance(before, Number)
    years = completed(case.patient.birth.earliest, case.specimen.collected.at.date(), "years")
    return found | {"age": float(years), "sex": case.patient.sex, "earlier": float(before.value)}


def per_second(work: Callable[[Any], object], items: Sequence[Any]) -> float:
    """Return how many items `work` does in a second of processor time, undisturbed.

    Each handful of items is timed several times and the best counts: what else runs on the
    machine would otherwise weigh on long measurements and spare short ones.
    """
    seconds = 0.0
    for start in range(0, len(items), HANDFUL):
        seconds += min(_once(work, items[start : start + HANDFUL]) for _ in range(REPEATS))
    return len(items) / seconds


def _once(work: Callable[[Any], object], items: Sequence[Any]) -> float:
    began = process_time()
    for item in items:
        work(item)
    return process_time() - began


def measure_forty(count: int = 400) -> tuple[list[Measured], list[str]]:
    """Judge `count` results with forty rules; also return which engines are not installed.

    By hand, facts are missing from one case in five; engines know no unknown, so there (and for
    ours beside them) every case is complete.
    """
    judge, unit = program().judge, "results/s, 40 rules"
    found = cases(count, complete=False)
    hand = per_second(byhand.judge, found)
    rows = [Measured("decide", unit, per_second(judge, found), "by hand in Python", hand)]
    available, missing = engines.available()
    complete = cases(count, complete=True)
    ours = per_second(judge, complete)
    for name, (typed, decide) in available.items():
        few = [typed(facts(case)) for case in complete[: 20 if name == "cel-python" else count]]
        rows.append(Measured("decide", unit, ours, name, per_second(decide, few)))
    return rows, missing
