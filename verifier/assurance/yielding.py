"""Judging labeled messages one after the other, as the service would, and counting.

The evaluator and the history are those of `verifier judge`. A held result whose label says that it
is right is taken as settled by a person at once, and counts as an earlier result from then on; a
held result that is wrong is taken as rejected. A result that waits is judged again when the wait
ends. All controls are in control.
"""

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from verifier.assurance.yield_cases import CaseLabel, Header, LabeledMessage, kinds_of, label_of
from verifier.assurance.yield_count import Counts, Judgement
from verifier.decide.offline import Judged, Offline
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.verdicts import ResultDecision
from verifier.hl7.acknowledge import admission
from verifier.hl7.message import Message, Unreadable
from verifier.language.program import Program

Instant = Callable[[Message], datetime]


def count_yield(
    program: Program,
    header: Header,
    cases: Iterable[LabeledMessage],
    connection: ConnectionMap,
    instant: Instant,
) -> Counts:
    """Judge all cases in their order and return the counts; `instant` says when each arrived."""
    quality = dict.fromkeys(program.catalogue.tests, "in control")
    offline = Offline(program, connection, quality)  # type: ignore[arg-type]
    counts = Counts(header, {rule.name: frozenset(rule.tests) for rule in program.rules})
    for case in cases:
        counts.messages += 1
        try:
            message = Message.read(case.message.encode(), charset=connection.charset)
        except Unreadable:
            counts.refused += 1
            continue
        if admission(message, ("P", "T", "D")):
            counts.refused += 1
            continue
        for judged in offline.judge(message, instant(message)):
            _count(offline, judged, case.truth, message.control_id, counts, program)
    return counts


def _count(
    offline: Offline, judged: Judged, truth: CaseLabel, control: str, counts: Counts,
    program: Program,
) -> None:  # fmt: skip
    specimen = judged.case.specimen.key
    kinds = kinds_of(truth, specimen)
    tests = program.catalogue.tests
    found = []
    for item in _ended(offline, judged):
        if item.test in tests and tests[item.test].kind == "index":
            continue
        label = label_of(truth, specimen, item.code)
        found.append(Judgement(label, frozenset((*kinds, *label.kinds)), item))
    right = frozenset(
        one.item.entry
        for one in found
        if one.item.outcome != "release" and one.label.harm == "none"
    )
    offline.settle(judged, right)
    counts.specimen(truth.group, kinds, found, (control, specimen))


def _ended(offline: Offline, judged: Judged) -> Iterator[ResultDecision]:
    """Yield the decision on every result when no wait is left."""
    decided = {item.entry: item for item in judged.decision.results}
    until = judged.decision.wait_until
    while until is not None and judged.case.specimen.key:
        later = offline.later(judged.case.specimen.key, until)
        decided |= {item.entry: item for item in later.decision.results}
        until = later.decision.wait_until
    yield from decided.values()
