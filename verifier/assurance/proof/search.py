"""Asks the solver whether a case exists, roughly first and in full where that is not enough."""

from collections.abc import Iterable
from typing import Any, Literal

import z3

from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.truths import Bool

Answer = Literal["none", "some", "open"]
_SAID: dict[str, Answer] = {"unsat": "none", "sat": "some", "unknown": "open"}


class Search:
    """A solver that knows what is true of all facts asked for so far.

    What it once found to contradict itself is not asked again: that answers most questions about
    the second and every further test of a guarantee.
    """

    def __init__(self, facts: Facts, reals: Reals) -> None:
        self._facts, self._reals = facts, reals
        self._solver = z3.Solver()
        self._taken = [0, 0]
        self._contradictions: list[frozenset[int]] = []
        self._kept: dict[int, Any] = {}  # so that the solver gives no number twice
        self.model: Any = None

    def ask(self, formulas: Iterable[Bool], seconds: float, *, full: bool = False) -> Answer:
        """Return whether there is a case for which all formulas are true.

        The case is `model` afterwards. Without `full`, numbers that have no linear form may be
        anything: ``none`` is certain, ``some`` is not.
        """
        parts: dict[int, Any] = {}
        for formula in formulas:
            if formula is False:
                return "none"
            parts |= {part.get_id(): part for part in _conjuncts(formula)}
        self._kept |= parts
        if any(found <= parts.keys() for found in self._contradictions):
            return "none"
        self._learn()
        return self._asked(parts, seconds, full)

    def _asked(self, parts: dict[int, Any], seconds: float, full: bool) -> Answer:
        solver = self._solver
        solver.push()
        solver.set("timeout", max(1, int(seconds * 1000)))
        for number, part in parts.items():
            solver.assert_and_track(part, f"part {number}")
        if full:
            solver.add(self._reals.definitions)
        found = _SAID[str(solver.check())]
        self.model = solver.model() if found == "some" else None
        if found == "none":
            core = solver.unsat_core()
            numbers = frozenset(int(str(part).removeprefix("part ")) for part in core)
            self._contradictions.append(numbers)
        solver.pop()
        return found

    def _learn(self) -> None:
        for number, known in enumerate((self._facts.axioms, self._reals.facts)):
            self._solver.add(known[self._taken[number] :])
            self._taken[number] = len(known)


def _conjuncts(formula: Bool) -> list[Any]:
    if formula is True:
        return []
    if z3.is_and(formula):
        return [part for child in formula.children() for part in _conjuncts(child)]
    if z3.is_not(formula) and z3.is_or(formula.arg(0)):
        return [part for child in formula.arg(0).children() for part in _conjuncts(z3.Not(child))]
    return [formula]
