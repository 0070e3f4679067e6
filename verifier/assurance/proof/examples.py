"""Makes a counterexample of what the solver found, and has the evaluator show it."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from verifier.assurance.messages import Sent, messages, unsendable
from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.liking import Liking, only_sent, only_written
from verifier.assurance.proof.release import Ruled
from verifier.assurance.proof.search import Search
from verifier.assurance.proof.staging import steps_of_witness
from verifier.assurance.proof.truths import Bool
from verifier.assurance.proof.witness import Reading
from verifier.assurance.proving import Counterexample
from verifier.assurance.writing import scenario
from verifier.facts.case import Control
from verifier.language.scenarios import ScenarioStep

_UNGIVEN = (
    "the solver sees only cases that are not written here: several values of a test, no collection "
    "time, no time of analysis, or a birth date that is known in part"
)
_UNSHOWN = "the solver sees a case, and the evaluator does not show it"
_NO_SCENARIO = "no scenario gives a value below zero, or a range with two ends: see the messages"


class Wanted(NamedTuple):
    """What a counterexample is about: `name` of its scenario, the result, the results `named`.

    `by_steps` returns which step of a scenario shows it, `by_messages` whether messages do, with
    the control states that are not good and with a person who lets earlier results go, or without.
    """

    name: str
    test: str
    named: frozenset[str]
    by_steps: Callable[[tuple[ScenarioStep, ...]], int | None]
    by_messages: Callable[[Sequence[Sent], Mapping[str, Control], bool], bool]


class Examples:
    """Finds counterexamples for one rule set."""

    def __init__(
        self, ruled: Ruled, facts: Facts, search: Search, left: Callable[[], float]
    ) -> None:
        self._ruled, self._facts, self._search, self._left = ruled, facts, search, left
        self._program = ruled.program

    def find(self, wanted: Wanted, parts: list[Bool]) -> Counterexample | str:
        """Return a counterexample the evaluator shows, or why there is none.

        Where the solver finds no case with every number worked out in full, it is asked for one in
        which they may be anything: only the evaluator decides if that is one. What no scenario can
        give is looked for last.
        """
        why = "the solver found no answer in the time it was given"
        for full, given in ((True, True), (False, True), (True, False)):
            found = self._found(wanted, parts, full, given)
            if isinstance(found, Counterexample):
                return found
            why = found or why
        return why

    def _found(
        self, wanted: Wanted, parts: list[Bool], full: bool, given: bool
    ) -> Counterexample | str:
        wishes = list(only_sent(self._facts))  # may ask for facts nobody asked for yet
        wishes += only_written(self._facts) if given else ()
        cases = self._search.cases(parts, full=full)
        liking = Liking(self._ruled, self._facts, cases, self._left)
        if not liking.wish(*wishes):
            return _UNGIVEN if cases.none and not given else ""
        liking.all(wanted.test, wanted.named)
        titers = frozenset(
            name for name, test in self._program.catalogue.tests.items() if test.kind == "titer"
        )
        witness = Reading(self._facts, liking.model, titers).witness()
        steps = steps_of_witness(witness)
        if isinstance(steps, str):
            return steps
        return self._shown(wanted, steps, given) or _UNSHOWN

    def _shown(
        self, wanted: Wanted, steps: tuple[ScenarioStep, ...], given: bool
    ) -> Counterexample | None:
        at = wanted.by_steps(steps)
        if at is None:
            return None
        steps = steps[: at + 1]
        if not given:
            found = Counterexample(wanted.test, remarks=(_NO_SCENARIO,))
            found = self._with_messages(found, wanted, steps)
            return found if found.messages else None
        expected = {at: [f"{wanted.test} held"]}
        name = wanted.name.replace('"', "")
        text = scenario(self._program.catalogue, name, steps, expected)
        return self._with_messages(Counterexample(wanted.test, scenario=text), wanted, steps)

    def _with_messages(
        self, found: Counterexample, wanted: Wanted, steps: tuple[ScenarioStep, ...]
    ) -> Counterexample:
        program = self._program
        reason = unsendable(steps, program.catalogue)
        if reason:
            return replace(found, remarks=(*found.remarks, reason))
        sent = messages(steps, program.catalogue)
        quality = {test: state for step in steps for test, state in step.quality}
        for person in (False, True):
            if wanted.by_messages(sent, quality, person):
                remarks = found.remarks
                remarks += ("a person let the earlier results go",) if person else ()
                text = "".join(item.text for item in sent)
                said = "".join(f'{test} = "{state}"\n' for test, state in quality.items())
                return replace(found, messages=text, quality=said, remarks=remarks)
        remark = "the messages of this case do not show it"
        return replace(found, remarks=(*found.remarks, remark))
