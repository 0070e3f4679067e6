"""Makes a counterexample of what the solver found, and has the evaluator show it."""

from collections.abc import Callable
from typing import Any, NamedTuple

from msgspec.structs import replace

from verifier.assurance.messages import messages, unsendable
from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.liking import Liking, only_written
from verifier.assurance.proof.release import Ruled
from verifier.assurance.proof.search import Search
from verifier.assurance.proof.staging import steps_of_witness
from verifier.assurance.proof.truths import Bool
from verifier.assurance.proof.witness import Reading
from verifier.assurance.proving import Counterexample
from verifier.assurance.showing import Shown, by_messages, by_steps
from verifier.assurance.writing import scenario
from verifier.language.scenarios import ScenarioStep


class Wanted(NamedTuple):
    """What a counterexample is about; `shows` says whether a case, as judged, is one."""

    name: str
    test: str
    named: frozenset[str]
    shows: Callable[[Shown], bool]


class Examples:
    """Finds counterexamples for one rule set."""

    def __init__(
        self, ruled: Ruled, facts: Facts, search: Search, left: Callable[[], float]
    ) -> None:
        self._ruled, self._facts, self._search, self._left = ruled, facts, search, left
        self._program = ruled.program

    def find(self, wanted: Wanted, parts: list[Bool]) -> Counterexample | None:
        """Return a counterexample the evaluator shows, None where none is found."""
        written = list(only_written(self._facts))

        def attempt(wishes: list[Bool]) -> Any:
            return self._search.find([*parts, *wishes], self._left())

        liking = Liking(self._ruled, self._facts, attempt)
        if not liking.wish(*written):
            return None
        liking.all(wanted.test, wanted.named)
        titers = frozenset(
            name for name, test in self._program.catalogue.tests.items() if test.kind == "titer"
        )
        witness = Reading(self._facts, liking.model, titers).witness()
        steps = steps_of_witness(witness)
        if isinstance(steps, str):
            return None
        return self._shown(wanted, steps)

    def _shown(self, wanted: Wanted, steps: tuple[ScenarioStep, ...]) -> Counterexample | None:
        program = self._program
        at = [n for n, shown in enumerate(by_steps(program, steps)) if wanted.shows(shown)]
        if not at:
            return None
        steps = steps[: at[0] + 1]
        expected = {at[0]: [f"{wanted.test} held"]}
        text = scenario(program.catalogue, wanted.name.replace('"', ""), steps, expected)
        found = Counterexample(wanted.test, scenario=text)
        return self._with_messages(found, wanted, steps)

    def _with_messages(
        self, found: Counterexample, wanted: Wanted, steps: tuple[ScenarioStep, ...]
    ) -> Counterexample:
        program = self._program
        reason = unsendable(steps, program.catalogue)
        if reason:
            return replace(found, remarks=(reason,))
        sent = messages(steps, program.catalogue)
        quality = {test: state for step in steps for test, state in step.quality}
        for person in (False, True):
            if any(wanted.shows(s) for s in by_messages(program, sent, quality, person=person)):
                remarks = ("a person let the earlier results go",) if person else ()
                text = "".join(item.text for item in sent)
                said = "".join(f'{test} = "{state}"\n' for test, state in quality.items())
                return replace(found, messages=text, quality=said, remarks=remarks)
        return replace(found, remarks=("the messages of this case do not show it",))
