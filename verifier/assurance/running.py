"""Runs one scenario through the real decision and says of every expectation what happened."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import timedelta
from typing import TypeAlias

from msgspec import Struct

from verifier.assurance.cases import case_of
from verifier.decide.decide import decide
from verifier.facts.case import Case
from verifier.facts.catalogue import Catalogue
from verifier.facts.verdicts import Decision, Judgement, Outcome, Reason, ResultDecision
from verifier.language.program import Program
from verifier.language.scenarios import EVERYTHING, CheckedScenario, Expected, ScenarioStep
from verifier.language.source import Span

_OUTCOMES: dict[str, Outcome] = {"released": "release", "held": "hold", "waits": "wait"}
_SAID = {"release": "is released", "hold": "is held", "wait": "waits"}
_FIRED = ("fired", "not fired")


class Answer(Struct, frozen=True):
    """One expectation after it was run.

    `wanted` is the expectation as it would be written, `met` whether it came true. Where it did
    not, `happened` is a sentence that says what happened, `reasons` why, one sentence each, and
    `instead` the expectation that would have come true, "" where none can be written. `place` is
    where the expectation stands, `after` how long after the first message.
    """

    wanted: str
    met: bool
    after: timedelta
    happened: str = ""
    reasons: tuple[str, ...] = ()
    instead: str = ""
    place: Span | None = None


class Ran(Struct, frozen=True):
    """A scenario after it was run, with every decision it led to, one for each step."""

    scenario: CheckedScenario
    answers: tuple[Answer, ...]
    decisions: tuple[Decision, ...]

    @property
    def passed(self) -> bool:
        """Whether every expectation came true."""
        return all(item.met for item in self.answers)


class Heard(Struct, frozen=True):
    """What became of a case: the decision, and what stands of every test that was ever decided."""

    decision: Decision
    stands: Mapping[str, ResultDecision]
    fired: frozenset[str]
    case: Case


Look: TypeAlias = Callable[[Sequence[ScenarioStep], Heard], None]


class Listening:
    """A program that remembers what it last said; a decision does not name silent effects."""

    def __init__(self, program: Program) -> None:
        self._program = program
        self.judgement: Judgement | None = None

    @property
    def identity(self) -> str:
        """The hash of the meaning of the program."""
        return self._program.identity

    @property
    def catalogue(self) -> Catalogue:
        """The tests of the program."""
        return self._program.catalogue

    def judge(self, case: Case) -> Judgement:
        """Return what the rules say of a case, and remember it."""
        self.judgement = self._program.judge(case)
        return self.judgement


def run_scenario(
    program: Program, scenario: CheckedScenario, after_each: Look | None = None
) -> Ran:
    """Run every step of a scenario; what has left stays as it left, as in the running service.

    `after_each` is given the steps so far and what became of the case.
    """
    answers: list[Answer] = []
    decisions: list[Decision] = []
    for count, heard in enumerate(steps_of(program, scenario.steps), start=1):
        step = scenario.steps[count - 1]
        decisions.append(heard.decision)
        if after_each:
            after_each(scenario.steps[:count], heard)
        for number, expected in enumerate(step.expected):
            place = step.places[number] if number < len(step.places) else None
            answers.append(_answer(expected, heard, step.after, place))
    return Ran(scenario, tuple(answers), tuple(decisions))


def steps_of(program: Program, steps: tuple[ScenarioStep, ...]) -> Iterator[Heard]:
    """Yield what became of the case after each of some steps."""
    listening = Listening(program)
    stands: dict[str, ResultDecision] = {}
    left: set[str] = set()
    corrected: set[str] = set()
    for number, step in enumerate(steps, start=1):
        again = left & {test for test, _ in step.results}
        left, corrected = left - again, corrected | again
        case = case_of(program.catalogue, steps[:number], left, corrected)
        decision = decide(case, listening)
        assert listening.judgement is not None
        derived = {item.test for item in stands.values() if item.entry < 0}
        stands = {name: item for name, item in stands.items() if name not in derived}
        stands |= {item.test: item for item in (*decision.results, *decision.derived)}
        left |= {item.test for item in decision.results if item.outcome == "release"}
        yield Heard(decision, dict(stands), listening.judgement.fired, case)


def _answer(expected: Expected, heard: Heard, after: timedelta, place: Span | None) -> Answer:
    if expected.what in _FIRED:
        fits = (expected.rule in heard.fired) is (expected.what == "fired")
        faults = [] if fits else [_of_rule(expected, heard)]
    else:
        names = expected.tests or tuple(sorted(heard.stands))
        faults = [fault for name in names if (fault := _of_test(expected, name, heard))]
    wanted = written(expected)
    if not faults:
        return Answer(wanted, True, after, place=place)
    said = [fault.instead for fault in faults]
    others = [
        written(expected, name)
        for name in expected.tests
        if len(expected.tests) > 1 and name not in {fault.name for fault in faults}
    ]
    return Answer(
        wanted,
        False,
        after,
        "; ".join(fault.happened for fault in faults),
        tuple(dict.fromkeys(text for fault in faults for text in fault.reasons)),
        ", ".join([*said, *others]) if all(said) else "",
        place,
    )


class _Fault(Struct, frozen=True):
    name: str
    happened: str
    instead: str
    reasons: tuple[str, ...] = ()


def _of_rule(expected: Expected, heard: Heard) -> _Fault:
    rule = expected.rule
    if expected.what == "fired":
        return _Fault(rule, f"{rule} says nothing", f"{rule} not fired")
    reasons = [r for item in heard.stands.values() for r in item.reasons if r.rule == rule]
    return _Fault(rule, f"{rule} fires", f"{rule} fired", _sentences(reasons))


def _of_test(expected: Expected, name: str, heard: Heard) -> _Fault | None:
    item = heard.stands.get(name)
    if item is None:
        return _Fault(name, f"there is no result of {name}", "")
    if _meets(expected, item):
        return None
    happened = f"{name} {_SAID[item.outcome]}"
    by = sorted({reason.rule for reason in item.reasons})
    happened += f" by {', '.join(by)}" if by else ""
    if expected.what == "flagged":
        flag = f'flagged "{item.flag}"' if item.flag else ""
        happened = f"{name} is {flag or 'not flagged'}"
        return _Fault(name, happened, f"{name} {flag or _outcome(item)}")
    return _Fault(name, happened, f"{name} {_outcome(item)}", _sentences(item.reasons))


def _meets(expected: Expected, item: ResultDecision) -> bool:
    if expected.rule and expected.rule not in {reason.rule for reason in item.reasons}:
        return False
    match expected.what:
        case "suppressed":
            return bool(item.instead)
        case "flagged":
            return item.flag == expected.flag
        case what:
            return item.outcome == _OUTCOMES[what]


def _outcome(item: ResultDecision) -> str:
    """Return what came true of a result as an expectation is written; safeguards have no name."""
    if item.outcome == "hold":
        rules = [reason.rule for reason in item.reasons if ":" not in reason.rule]
        return f"held by {rules[0]}" if rules else "held"
    return "waits" if item.outcome == "wait" else "released"


def _sentences(reasons: list[Reason] | tuple[Reason, ...]) -> tuple[str, ...]:
    return tuple(f"{reason.rule}: {reason.text}" for reason in reasons)


def written(expected: Expected, test: str = "") -> str:
    """Return an expectation as it is written, of one of its tests where one is given."""
    if expected.what in _FIRED:
        return f"{expected.rule} {expected.what}"
    names = (test,) if test else expected.tests or (EVERYTHING,)
    by = f" by {expected.rule}" if expected.rule else ""
    flag = f' "{expected.flag}"' if expected.flag else ""
    return ", ".join(f"{name} {expected.what}{by}{flag}" for name in names)
