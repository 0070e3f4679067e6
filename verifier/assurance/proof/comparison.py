"""Proves that a rule set releases nothing that another holds, result by result."""

from collections.abc import Sequence

from msgspec.structs import replace

from verifier.assurance.messages import Sent
from verifier.assurance.proof.examples import Examples, Wanted
from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.release import Ruled
from verifier.assurance.proof.search import Search
from verifier.assurance.proof.truths import Bool, negated, some
from verifier.assurance.proving import Clock, Counterexample, Outcome, ResultProof
from verifier.assurance.showing import Quality, Shown, by_messages, by_steps, first, released
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep


class Comparison:
    """Two rule sets over the same cases."""

    def __init__(self, old: Program, new: Program, seconds: float, clock: Clock) -> None:
        self._seconds, self._clock = seconds, clock
        self._facts, self._reals = Facts(), Reals()
        self._old = Ruled(old, self._facts, self._reals)
        self._new = Ruled(new, self._facts, self._reals)
        self._search = Search(self._facts, self._reals)
        self._units, self._codes = _other_units(old, new), _new_codes(old, new)
        self._ends = 0.0

    def counted_as_any(self) -> tuple[str, ...]:
        """Return which functions counted as any number."""
        return self._reals.counted_as_any()

    def results(self) -> list[str]:
        """Return what the new rule set could release."""
        names = self._new.names
        return [name for name in (*names.tests, *names.reported) if self._new.can_leave(name)]

    def prove(self, test: str) -> ResultProof:
        """Return what becomes of one result."""
        started = self._clock()
        self._ends = started + self._seconds
        outcome, why, example = self._answer(test)
        return ResultProof(test, outcome, self._clock() - started, why, example)

    def _left(self) -> float:
        return max(0.05, min(self._seconds, self._ends - self._clock()))

    def _spare(self) -> float:
        return self._ends + self._seconds - self._clock()

    def _answer(self, test: str) -> tuple[Outcome, tuple[str, ...], Counterexample | None]:
        reason = self._units or self._codes.get(test)
        if reason:
            return "not proved", (reason,), None
        parts = _required(self._new, test)
        unlike = self._unlike(test, parts)
        if unlike is False:
            return "proved", (), None
        wanted = [*parts, unlike]
        if self._search.ask(wanted, self._left()) == "none":
            return "proved", (), None
        if self._search.ask(wanted, self._left(), full=True) == "none":
            return "proved", (), None
        found = self._example(test, wanted)
        if isinstance(found, Counterexample):
            return "refuted", (), found
        return "not proved", (found, *self._old.gaps(), *self._new.gaps()), None

    def _unlike(self, test: str, parts: list[Bool]) -> Bool:
        """Return where the old rule set holds a result, for anything the new one does not ask."""
        if not self._old.can_leave(test):
            return True
        asked = self._search.numbers(parts)
        return some(
            negated(part)
            for part in _required(self._old, test)
            if part is not True and (part is False or not self._search.numbers([part]) <= asked)
        )

    def _example(self, test: str, wanted: list[Bool]) -> Counterexample | str:
        old, new = self._old.program, self._new.program

        def freed(pair: tuple[Shown, Shown]) -> bool:
            before, after = (released(shown.decision) for shown in pair)
            return test in after and test not in before

        def steps_show(steps: tuple[ScenarioStep, ...]) -> int | None:
            known = tuple(_known(step, old) for step in steps)
            return first(map(freed, zip(by_steps(old, known), by_steps(new, steps), strict=True)))

        def messages_show(sent: Sequence[Sent], quality: Quality, person: bool) -> bool:
            states = {name: state for name, state in quality.items() if name in old.catalogue.tests}
            before = by_messages(old, sent, states, person=person)
            after = by_messages(new, sent, quality, person=person)
            return any(map(freed, zip(before, after, strict=True)))

        name = f"no longer held: {test}"
        what = Wanted(name, test, frozenset(), steps_show, messages_show)
        return Examples(self._new, self._facts, self._search, self._spare).find(what, wanted)


def _known(step: ScenarioStep, program: Program) -> ScenarioStep:
    """Return what a step gives of tests that a rule set knows."""
    tests = program.catalogue.tests
    return replace(
        step,
        results=tuple(item for item in step.results if item[0] in tests),
        earlier=tuple(item for item in step.earlier if item[0] in tests),
        preceding=tuple(item for item in step.preceding if item[0] in tests),
        quality=tuple(item for item in step.quality if item[0] in tests),
    )


def _required(ruled: Ruled, test: str) -> list[Bool]:
    return [ruled.open(test), *(negated(hold.holds) for hold in ruled.holds(test))]


def _new_codes(old: Program, new: Program) -> dict[str, str]:
    """Return which results are read where they were not: the formulas do not speak of codes."""
    found = {}
    for name, test in new.catalogue.tests.items():
        before = old.catalogue.tests.get(name)
        more = sorted(code for _, code in {*test.codes} - {*before.codes}) if before else []
        if more:
            found[name] = f"{name} is read under a new code, {more[0]}, that was unknown before"
    return found


def _other_units(old: Program, new: Program) -> str:
    """Return why numbers can not be compared, "" where they can."""
    for name, test in new.catalogue.tests.items():
        before = old.catalogue.tests.get(name)
        if before and (before.unit, before.molar_mass) != (test.unit, test.molar_mass):
            return f"{name} is in another unit or has another molar mass: numbers mean other things"
    return ""
