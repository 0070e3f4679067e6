"""Lets the evaluator itself show what a counterexample claims: on the case, and on messages."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple, TypeAlias

from verifier.assurance.messages import Sent
from verifier.assurance.running import steps_of
from verifier.decide.offline import Offline
from verifier.facts.case import Case, Control
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.verdicts import Decision
from verifier.hl7.message import Message
from verifier.language.program import Program
from verifier.language.scenarios import CheckedGuarantee, ScenarioStep

Quality: TypeAlias = Mapping[str, Control]


class Shown(NamedTuple):
    """What became of a case, and which of its results left although a condition is true."""

    case: Case
    decision: Decision


def first(shown: Iterable[bool]) -> int | None:
    """Return the number of the first that is true."""
    return next((number for number, is_so in enumerate(shown) if is_so), None)


def released(decision: Decision) -> frozenset[str]:
    """Return the tests and derived results a decision releases."""
    both = (*decision.results, *decision.derived)
    return frozenset(item.test for item in both if item.outcome == "release")


def breaking(program: Program, guarantee: CheckedGuarantee, shown: Shown) -> frozenset[str]:
    """Return the results that leave although the guarantee says they never do."""
    left = released(shown.decision)
    asked = zip(guarantee.tests, guarantee.conditions, strict=True)
    return frozenset(
        test
        for test, condition in asked
        if test in left and condition(program.scene_of(shown.case, test)) is True
    )


def by_steps(program: Program, steps: tuple[ScenarioStep, ...]) -> Iterator[Shown]:
    """Yield what becomes of the case of a scenario after each step."""
    for heard in steps_of(program, steps):
        yield Shown(heard.case, heard.decision)


def by_messages(
    program: Program, sent: Sequence[Sent], quality: Quality, *, person: bool
) -> Iterator[Shown]:
    """Yield what becomes of a specimen with each message, judged offline as `verifier judge` does.

    With `person`, somebody lets go what is held of earlier specimens.
    """
    states: dict[str, Control] = dict.fromkeys(program.catalogue.tests, "in control")
    offline = Offline(program, ConnectionMap("offline"), {**states, **quality})
    for item in sent:
        message = Message.read(item.text.encode("ascii", "replace"))
        for judged in offline.judge(message, item.at):
            if item.past and person:
                offline.settle(judged, frozenset(r.entry for r in judged.decision.results))
            if not item.past:
                yield Shown(judged.case, judged.decision)
