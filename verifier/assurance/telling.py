"""What testing a rule set showed, as lines of text and as plain values for JSON."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta
from typing import Any

from verifier.assurance.asking import EdgeRun
from verifier.assurance.coverage import COUNTED, Item
from verifier.assurance.edges import EdgeCase
from verifier.assurance.running import Answer, Ran
from verifier.assurance.suite import SuiteRun
from verifier.assurance.writing import given, period
from verifier.language.scene import plain
from verifier.language.source import Source, Span

EDGES_FOLLOW = (
    "Edge cases follow the limits as they are written: they show that a limit is applied, and can "
    "not tell whether it is right. Only a scenario with a value somebody knows can."
)
_LONG = 100  # signs of a condition that are shown
_NOT_YET = "there are no scenarios: nothing says what this rule set is expected to do"
_WHAT = {
    "rules that fired": "never fired",
    "rules that did not fire": "never asked without firing",
    "conditions seen true": "never true",
    "conditions seen false": "never false",
    "conditions seen unknown": "never unknown",
}


def lines(tested: SuiteRun, *, edges: bool = False) -> Iterator[str]:
    """Yield the report, one line each; with `edges` every edge case is listed."""
    yield from _scenarios(tested)
    yield ""
    yield from _edges(tested, edges)
    yield ""
    yield "Covered, by scenarios alone where it is about rules and conditions:"
    for what in COUNTED:
        covered, of = tested.coverage.count(what)
        yield f"  {what:<27} {covered} of {of}"
    missing = tested.coverage.missing
    if missing:
        yield ""
        yield "Not covered:"
        yield from (f"  {line}" for line in _missing(missing, tested.sources))


def _scenarios(tested: SuiteRun) -> Iterator[str]:
    if not tested.ran:
        yield _NOT_YET
        return
    width = max(len(ran.scenario.name) for ran in tested.ran)
    for ran in tested.ran:
        place = where(ran.scenario.place, tested.sources)
        yield f"{'ok    ' if ran.passed else 'FAILS '} {ran.scenario.name:<{width}}  {place}"
        for answer in ran.answers:
            if not answer.met:
                yield from _failed(answer, tested.sources)
    passed = sum(ran.passed for ran in tested.ran)
    yield f"Scenarios that come true: {passed} of {len(tested.ran)}"


def _failed(answer: Answer, sources: Mapping[str, Source]) -> Iterator[str]:
    after = f", {period(answer.after)} after the first message" if answer.after else ""
    yield f"         {where(answer.place, sources)}{after}"
    yield f"           expected   {answer.wanted}"
    yield f"           happened   {answer.happened}"
    yield from (f"           because    {reason}" for reason in answer.reasons)


def _edges(tested: SuiteRun, every: bool) -> Iterator[str]:
    shown = tested.edges if every else tested.failed_edges
    yield from (edge_line(run, tested) for run in shown)
    asked = [run for run in tested.edges if run.asked]
    passed = sum(run.passed for run in asked)
    yield f"Edge cases decided as the limit is written: {passed} of {len(tested.edges)}"
    yield f"  {EDGES_FOLLOW}"
    if len(asked) < len(tested.edges):
        yield f"  without an answer, because no rule asks: {len(tested.edges) - len(asked)}"


def edge_line(run: EdgeRun, tested: SuiteRun) -> str:
    """Return one edge case: what is given, what the limit must say, and what it said."""
    case = run.case
    place = where(case.place, tested.sources)
    if case.step is None:
        return f"--     {case.test} {plain(case.value)}: {case.why_not}  [{case.words}]  {place}"
    said = ", ".join(sorted(answer_words(case, answer) for answer in run.answers))
    verdict = "--     " if not run.asked else "ok     " if run.passed else "FAILS  "
    told = said or "no rule asks for this limit"
    if not run.passed:
        told = f"expected {answer_words(case, case.expected)}, happened {said}"
    what = given(tested.program.catalogue, case.step)
    return f"{verdict}{what}: {told}  [{case.words}]  {place}"


def answer_words(case: EdgeCase, answer: bool | None) -> str:
    """Return an answer about a limit in words."""
    if answer is None:
        return "unknown"
    if case.kind == "change":
        return "changed too much" if answer else "not changed too much"
    no = "" if answer else "not "
    return f"{no}critical" if case.kind == "critical" else f"{no}outside {case.kind}"


def _missing(items: Iterable[Item], sources: Mapping[str, Source]) -> Iterator[str]:
    for place, words, told in missing_lines(items, sources):
        short = words if len(words) <= _LONG else f"{words[:_LONG].rstrip()} …"
        yield f"{place}  {short}: {told}"


def missing_lines(
    items: Iterable[Item], sources: Mapping[str, Source]
) -> Iterator[tuple[str, str, str]]:
    """Yield each thing that is not covered, once: its place, its words, and all missing of it."""
    found: dict[tuple[Span, str, str], list[str]] = {}
    for item in items:
        key = item.place, item.words, item.note
        found.setdefault(key, []).append(_WHAT.get(item.what, f"{item.value} never run"))
    for (place, words, note), what in found.items():
        more = f" ({note})" if note else ""
        told = ", ".join(dict.fromkeys(what)).replace(" never run, ", ", ")
        yield where(place, sources), words, f"{told}{more}"


def where(place: Span | None, sources: Mapping[str, Source]) -> str:
    """Return a place as ``file:line``, "" for none."""
    if place is None:
        return ""
    return f"{place.file}:{sources[place.file].place(place).line}"


def as_json(tested: SuiteRun, *, edges: bool = False) -> dict[str, Any]:
    """Return the report as plain values; with `edges` every edge case is in it."""
    shown = tested.edges if edges else tested.failed_edges
    counts = {what: tested.coverage.count(what) for what in COUNTED}
    return {
        "identity": tested.program.identity,
        "passed": tested.passed,
        "scenarios": [_ran(ran, tested.sources) for ran in tested.ran],
        "edges": {
            "run": len(tested.edges),
            "failed": len(tested.failed_edges),
            "unanswered": sum(not run.asked for run in tested.edges),
            "cases": [_edge(run, tested) for run in shown],
        },
        "coverage": {what: {"covered": n, "of": of} for what, (n, of) in counts.items()},
        "not covered": [_item(item, tested.sources) for item in tested.coverage.missing],
    }


def _place(place: Span | None, sources: Mapping[str, Source]) -> dict[str, Any]:
    if place is None:
        return {}
    return {"file": place.file, "line": sources[place.file].place(place).line}


def _ran(ran: Ran, sources: Mapping[str, Source]) -> dict[str, Any]:
    return {
        "name": ran.scenario.name,
        "source": ran.scenario.source,
        "passed": ran.passed,
        **_place(ran.scenario.place, sources),
        "expectations": [
            {
                "expected": answer.wanted,
                "met": answer.met,
                "after seconds": answer.after // timedelta(seconds=1),
                "happened": answer.happened,
                "reasons": list(answer.reasons),
                "instead": answer.instead,
                **_place(answer.place, sources),
            }
            for answer in ran.answers
        ],
    }


def _edge(run: EdgeRun, tested: SuiteRun) -> dict[str, Any]:
    case = run.case
    return {
        "test": case.test,
        "limit": case.words,
        "value": plain(case.value),
        "side": case.side,
        "given": given(tested.program.catalogue, case.step) if case.step else None,
        "expected": answer_words(case, case.expected),
        "happened": sorted(answer_words(case, answer) for answer in run.answers),
        "passed": run.passed,
        "not run": case.why_not,
        **_place(case.place, tested.sources),
    }


def _item(item: Item, sources: Mapping[str, Source]) -> dict[str, Any]:
    return {
        "what": item.what,
        "words": item.words,
        "value": item.value,
        "note": item.note,
        **_place(item.place, sources),
    }
