"""Holds what became of the morning against its data, and counts what was seen."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

from msgspec import Struct

from verifier.decide.safeguards import MEANINGS, PREFIX
from verifier.demo.compare import (
    Delivery,
    Played,
    decided,
    delivery_differences,
    outcome_differences,
    spoke,
    value_differences,
)
from verifier.demo.notation import Reading
from verifier.demo.receiver import Received
from verifier.demo.rulebook import shown_by_scenarios, speakers
from verifier.demo.scenario import Act, Analyzer, Morning, Tube, Wire, expected
from verifier.demo.writer import SAC_FIELDS
from verifier.facts.verdicts import ResultDecision
from verifier.language.program import Program


class Aftermath(Struct, frozen=True):
    """Everything that became of a morning; `problems` start with the outcome of a message.

    `program` are the rules it was judged by.
    """

    played: Sequence[Played]
    received: Sequence[Received]
    program: Program
    problems: Sequence[str]
    refused: int
    audit: Sequence[str]
    reviews: Sequence[str] = ()


class Findings(Struct, frozen=True):
    """What was counted, and every difference as a sentence; no difference is good.

    `held` and `spoken` count the results a rule or safeguard kept back, or spoke of at all.
    `elsewhere` gives for a rule that did not occur a scenario of the rule files in which it fires.
    """

    outcomes: Mapping[str, int]
    held: Mapping[str, int]
    spoken: Mapping[str, int]
    elsewhere: Mapping[str, str]
    differences: Sequence[str]


def check(morning: Morning, after: Aftermath) -> Findings:
    """Compare everything that can be compared."""
    said = speakers(after.program)
    differences = [*_steps(morning, after.played, said)]
    wanted = _Deliveries(morning)
    for played in after.played:
        wanted.add(played)
    differences += delivery_differences(wanted.by_specimen, after.received)
    spoken, held = _counted(after.played, said)
    safeguards = {f"{PREFIX}{name}" for name in MEANINGS} - morning.never.keys()
    rules = {rule.name for rule in after.program.rules}
    elsewhere = shown_by_scenarios(after.program, rules - spoken.keys())
    unseen = (safeguards | rules) - spoken.keys() - elsewhere.keys()
    differences += [f"{name} occurs neither here nor in a scenario" for name in sorted(unseen)]
    unwanted = spoken.keys() - safeguards - rules
    differences += [f"{name} should not occur and did" for name in sorted(unwanted)]
    differences += _afterwards(morning, after)
    return Findings(_outcomes(after.played), held, spoken, elsewhere, differences)


def _steps(morning: Morning, steps: Iterable[Played], said: Mapping[str, str]) -> Iterator[str]:
    holds: dict[str, dict[str, Reading]] = {}
    for played in steps:
        step = played.step
        found: list[str] = []
        if isinstance(step, Tube | Wire) and played.ack != step.ack:
            found.append(f"expected the answer {step.ack!r}, got {played.ack!r}")
        if isinstance(step, Tube) and step.judged:
            judged = played.control.judged if played.control else "nothing"
            if judged != step.judged:
                found.append(f"expected of the control {step.judged!r}, found {judged!r}")
        elif isinstance(step, Tube):
            whole = holds.setdefault(step.id or step.key, {})
            whole |= morning.held_by(step)
            actual = decided(played.decision)
            found += outcome_differences(expected(step, morning, whole), actual, said)
            found += value_differences(_pairs(step.values), actual)
        yield from (f"{step.key} ({step.title}): {text}" for text in found)


class _Deliveries:
    """Works out what the LIS must get: what is expected to be released, and what data name."""

    def __init__(self, morning: Morning) -> None:
        self._morning = morning
        self._holds: dict[str, dict[str, Reading]] = {}
        self._sendable: dict[str, dict[str, tuple[str, str]]] = {}
        self._derived: dict[tuple[str, str], str] = {}
        self.by_specimen: dict[str, list[Delivery]] = {}

    def add(self, played: Played) -> None:
        """Add what one step must send."""
        step = played.step
        if isinstance(step, Tube):
            self._tube(step, played)
        elif isinstance(step, Act) and step.lis:
            self.by_specimen.setdefault(step.specimen, []).extend(self._named(step.lis, None))

    def _tube(self, tube: Tube, played: Played) -> None:
        analyzer = self._morning.analyzers[tube.by]
        whole = self._holds.setdefault(tube.id or tube.key, {})
        whole |= self._morning.held_by(tube)
        sendable = self._sendable.setdefault(tube.id or tube.key, {})
        sendable |= _forwardable(analyzer, self._morning.held_by(tube))
        lines = self.by_specimen.setdefault(tube.id, [])
        for test, outcome in expected(tube, self._morning, whole).items():
            if outcome.outcome != "release":
                continue
            if test in self._morning.derived:
                lines += self._of_derived(tube, test, played)
            elif test in sendable:
                lines.append((*sendable[test], "F"))
        lines += self._named(tube.lis, analyzer)

    def _of_derived(self, tube: Tube, test: str, played: Played) -> list[Delivery]:
        """A derived result leaves when it is new or has another value than the one that left."""
        value = next((each.value for each in decided(played.decision).get(test, ())), "")
        before = self._derived.get((tube.id, test))
        self._derived[tube.id, test] = value
        code = self._morning.derived[test].code
        return [] if before == value else [(code, value, "C" if before else "F")]

    def _named(self, text: str, analyzer: Analyzer | None) -> list[Delivery]:
        codes = {name: item.code for name, item in self._morning.derived.items()}
        for each in [analyzer] if analyzer else self._morning.analyzers.values():
            codes |= {test: code.split("^")[0] for test, code in each.codes.items()}
        lines = []
        for item in filter(None, text.split(", ")):
            test, value, status = item.split()
            lines.append((codes.get(test, test), value, status))
        return lines


def _forwardable(analyzer: Analyzer, held: Mapping[str, Reading]) -> dict[str, tuple[str, str]]:
    """Return code and value of what has an OBX: an index that came in SAC has none."""
    return {
        test: ((reading.code or analyzer.codes[test]).split("^")[0], reading.value)
        for test, reading in held.items()
        if not (analyzer.indices_in_sac and test in SAC_FIELDS)
    }


def _afterwards(morning: Morning, after: Aftermath) -> Iterator[str]:
    outcomes = tuple(problem.partition(":")[0] for problem in after.problems)
    if outcomes != morning.problems:
        yield f"odd messages: expected {list(morning.problems)}, found {list(after.problems)}"
    if after.refused != len(morning.refused_by_lis):
        yield f"refused by the LIS: expected {len(morning.refused_by_lis)}, found {after.refused}"
    if list(after.reviews) != list(morning.reviews):
        yield f"to look into: expected {list(morning.reviews)}, found {list(after.reviews)}"
    yield from (f"audit log: {finding}" for finding in after.audit)


def _counted(steps: Iterable[Played], said: Mapping[str, str]) -> tuple[Counter[str], Counter[str]]:
    """Count the results each rule spoke of, and those of them that it kept from leaving."""
    results = list(_results(steps))
    spoken = Counter(rule for result in results for rule in spoke(result, said))
    held = Counter(reason.rule for result in results for reason in result.reasons)
    return spoken, held


def _outcomes(steps: Iterable[Played]) -> Counter[str]:
    return Counter(result.outcome for result in _results(steps))


def _results(steps: Iterable[Played]) -> Iterator[ResultDecision]:
    for played in steps:
        for results in decided(played.decision).values():
            yield from results


def _pairs(text: str) -> dict[str, str]:
    return dict(item.split(" ", 1) for item in filter(None, text.split(", ")))
