"""Compares what became of the morning with what its data expect; every difference is a sentence."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

from msgspec import Struct

from verifier.demo.controls import Seen
from verifier.demo.notation import Expected
from verifier.demo.receiver import Line, Received
from verifier.demo.scenario import Step
from verifier.facts.verdicts import Decision, ResultDecision

# What the LIS gets of one result: OBX-3.1, OBX-5 and OBX-11.
Delivery: TypeAlias = tuple[str, str, str]


class Played(Struct, frozen=True):
    """A step as it was played: the answer on the wire, the decision its message caused, and what
    became of it if it was a control."""

    step: Step
    ack: str
    decision: Decision | None = None
    control: Seen | None = None


def decided(decision: Decision | None) -> dict[str, list[ResultDecision]]:
    """Return the decided results, reported and derived, by test (by code where unknown)."""
    found: dict[str, list[ResultDecision]] = {}
    for result in (*decision.results, *decision.derived) if decision else ():
        found.setdefault(result.test or result.code, []).append(result)
    return found


def spoke(result: ResultDecision, speakers: Mapping[str, str]) -> set[str]:
    """Return the rules that gave a reason or a comment; `speakers` gives the rule of a comment."""
    commented = {speakers[text] for text in result.comments if text in speakers}
    return commented | {reason.rule for reason in result.reasons}


def summary(result: ResultDecision, speakers: Mapping[str, str]) -> Expected:
    """Return a decision in the words of an expectation."""
    return Expected(result.outcome, frozenset(spoke(result, speakers)))


def outcome_differences(
    expected: Mapping[str, Expected],
    actual: Mapping[str, Sequence[ResultDecision]],
    speakers: Mapping[str, str],
) -> list[str]:
    """Compare the decisions on one message with what was expected of each result."""
    differences = []
    for test in sorted(expected.keys() | actual.keys()):
        found = sorted({str(summary(result, speakers)) for result in actual.get(test, ())})
        wanted = [str(expected[test])] if test in expected else []
        if found != wanted:
            differences.append(f"{test}: expected {_either(wanted)}, found {_either(found)}")
    return differences


def value_differences(
    wanted: Mapping[str, str], actual: Mapping[str, Sequence[ResultDecision]]
) -> list[str]:
    """Compare values, in the unit of the test, with those written beside the tube."""
    differences = []
    for test, value in wanted.items():
        found = [result.value for result in actual.get(test, ())]
        if value not in found:
            differences.append(f"{test}: expected the value {value}, found {_either(found)}")
    return differences


def delivery_differences(
    expected: Mapping[str, Iterable[Delivery]], received: Iterable[Received]
) -> list[str]:
    """Compare what each specimen sent to the LIS: code, value and status, each exactly as often.

    A refused message is counted too: it arrived, once.
    """
    wanted = {specimen: Counter(lines) for specimen, lines in expected.items()}
    found: dict[str, Counter[Delivery]] = {}
    for message in received:
        found.setdefault(message.specimen, Counter()).update(map(_plain, message.lines))
    nothing: Counter[Delivery] = Counter()
    differences = []
    for specimen in sorted(wanted.keys() | found.keys()):
        want, have = wanted.get(specimen, nothing), found.get(specimen, nothing)
        differences += [f"{specimen}: the LIS never got {_words(line)}" for line in want - have]
        differences += [f"{specimen}: the LIS got {_words(line)}" for line in have - want]
    return differences


def _plain(line: Line) -> Delivery:
    return (line.code, line.value, line.status)


def _words(line: Delivery) -> str:
    code, value, status = line
    return f"{code} = {value!r} with status {status!r}"


def _either(words: Sequence[str]) -> str:
    return " and ".join(words) if words else "nothing"
