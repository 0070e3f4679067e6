"""Proves one guarantee after the other, each for every result it speaks of."""

from collections.abc import Sequence
from typing import Any

from verifier.assurance.messages import Sent
from verifier.assurance.proof.examples import Examples, Wanted
from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.release import Ruled
from verifier.assurance.proof.search import Search
from verifier.assurance.proof.truths import Bool, negated, some
from verifier.assurance.proof.typed import UnencodedError
from verifier.assurance.proving import Clock, Counterexample, Outcome, Proof
from verifier.assurance.showing import Quality, Shown, breaking, by_messages, by_steps, first
from verifier.language.program import Program
from verifier.language.scenarios import CheckedGuarantee, ScenarioStep


class Prover:
    """Proves guarantees of one rule set."""

    def __init__(self, program: Program, seconds: float, clock: Clock) -> None:
        self._program, self._seconds, self._clock = program, seconds, clock
        self._facts, self._reals = Facts(), Reals()
        self._ruled = Ruled(program, self._facts, self._reals)
        self._search = Search(self._facts, self._reals)
        self._released: dict[str, tuple[list[Bool], list[Bool]]] = {}

    def released(self, test: str) -> tuple[list[Bool], list[Bool]]:
        """Return what has to be true of a result that leaves: for its own rules, and the rest."""
        if test not in self._released:
            ruled = self._ruled
            own = [ruled.open(test), *(negated(h.holds) for h in ruled.holds_of_its_own(test))]
            others = [negated(hold.holds) for hold in ruled.holds(test)]
            self._released[test] = own, others
        return self._released[test]

    def counted_as_any(self) -> tuple[str, ...]:
        """Return which functions counted as any number."""
        return self._reals.counted_as_any()

    def prove(self, guarantee: CheckedGuarantee) -> Proof:
        """Return what becomes of one guarantee."""
        return _Attempt(self, guarantee).proof()


class _Attempt:
    """The proof of one guarantee."""

    def __init__(self, prover: Prover, guarantee: CheckedGuarantee) -> None:
        self._prover, self._guarantee, self._clock = prover, guarantee, prover._clock
        self._program, self._ruled = prover._program, prover._ruled
        self._search, self._reals = prover._search, prover._reals
        self._facts = prover._facts
        self._started = self._clock()
        self._ends = self._started + prover._seconds
        self._seconds = prover._seconds

    def proof(self) -> Proof:
        pending: dict[str, list[Bool]] = {}
        why: list[str] = []
        try:
            conditions = self._conditions()
        except UnencodedError as error:
            return self._said("not proved", (f"{error.why}: no formula for this clause",))
        self._ask_once(conditions)
        for test, condition in conditions.items():
            if parts := self._open(test, condition):
                pending[test] = parts
        for test, parts in pending.items():
            if self._search.ask(parts, self._left(), full=True) == "none":
                continue
            example = self._example(test, parts)
            if isinstance(example, Counterexample):
                return self._said("refuted", self._also(test, pending), example)
            why.append(f"{test}: {example}")
        if why:
            return self._said("not proved", (*why, *self._ruled.gaps()))
        return self._said("proved", (), vacuous=self._vacuous())

    def _left(self) -> float:
        """Return the seconds the solver may still take."""
        return max(0.05, min(self._seconds, self._ends - self._clock()))

    def _spare(self) -> float:
        """Return the seconds there are for a case that can be read; as many again."""
        return self._ends + self._seconds - self._clock()

    def _conditions(self) -> dict[str, Bool]:
        """Return the condition for every result that could leave at all."""
        walk, node = self._ruled.walk, self._guarantee.condition
        return {
            test: walk.truth(node, walk.in_hand(test)).yes
            for test in self._guarantee.tests
            if self._ruled.can_leave(test)
        }

    def _ask_once(self, conditions: dict[str, Bool]) -> None:
        """Ask of the specimen as a whole, where the condition is the same for all results."""
        first = next(iter(conditions.values()), False)
        if len(conditions) < 2 or any(isinstance(said, bool) for said in conditions.values()):
            return
        if all(condition.eq(first) for condition in conditions.values()):
            wide = [negated(hold.holds) for hold in self._ruled.holding_the_specimen()]
            self._search.ask([first, *wide], self._left())

    def _open(self, test: str, condition: Bool) -> list[Bool]:
        """Return what a case against the guarantee has to fulfill; nothing where there is none."""
        own, others = self._prover.released(test)
        if self._search.contradict([condition, *own, *others]):
            return []
        for parts in ([condition, *own], [condition, *own, *others]):
            if self._search.ask(parts, self._left()) == "none":
                return []
        return [condition, *own, *others]

    def _example(self, test: str, parts: list[Bool]) -> Counterexample | str:
        named = _named(self._guarantee.condition)

        def shows(shown: Shown) -> bool:
            return test in breaking(self._program, self._guarantee, shown)

        def steps_show(steps: tuple[ScenarioStep, ...]) -> int | None:
            return first(map(shows, by_steps(self._program, steps)))

        def messages_show(sent: Sequence[Sent], quality: Quality, person: bool) -> bool:
            judged = by_messages(self._program, sent, quality, person=person)
            return any(map(shows, judged))

        name = f"against {self._guarantee.name}"
        wanted = Wanted(name, test, named, steps_show, messages_show)
        examples = Examples(self._ruled, self._facts, self._search, self._spare)
        return examples.find(wanted, parts)

    def _also(self, test: str, pending: dict[str, Any]) -> tuple[str, ...]:
        others = [name for name in pending if name != test]
        return (f"not looked at further: {', '.join(others)}",) if others else ()

    def _vacuous(self) -> bool:
        """Return whether the condition is never true of a result."""
        walk = self._ruled.walk
        for test in self._guarantee.tests:
            parts = [walk.truth(self._guarantee.condition, walk.in_hand(test)).yes]
            parts.append(some((self._ruled.present(test), walk.value_of(test).known)))
            if self._search.ask(parts, self._left()) != "none":
                return False
        return True

    def _assumed(self) -> tuple[str, ...]:
        found = self._ruled.names.functions_in(self._guarantee.condition)
        return (f"{', '.join(found)}: any number",) if found else ()

    def _said(
        self,
        outcome: Outcome,
        why: tuple[str, ...],
        example: Counterexample | None = None,
        *,
        vacuous: bool = False,
    ) -> Proof:
        guarantee = self._guarantee
        return Proof(
            name=guarantee.name,
            source=guarantee.source,
            outcome=outcome,
            tests=guarantee.tests,
            seconds=self._clock() - self._started,
            why=why,
            assumed=self._assumed(),
            vacuous=vacuous,
            counterexample=example,
        )


def _named(condition: Any) -> frozenset[str]:
    from verifier.language.derived import names_in

    return frozenset(names_in(condition))
