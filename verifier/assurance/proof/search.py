"""Asks the solver whether a case exists, roughly first and in full where that is not enough."""

from collections.abc import Iterable
from typing import Any, Literal

import z3

from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.truths import Bool

Answer = Literal["none", "some", "open"]
_NEVER = -1  # the number of what is never true
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
        self._parts: dict[int, dict[int, Any]] = {}
        self._kept: list[Any] = []  # so that the solver gives no number twice

    def cases(self, formulas: Iterable[Bool], *, full: bool) -> "Cases":
        """Return the cases for which all formulas are true, to choose from."""
        known = [self._facts.axioms, self._reals.facts]
        known += [self._reals.definitions] if full else []
        return Cases([*(fact for found in known for fact in found), *formulas])

    def ask(self, formulas: Iterable[Bool], seconds: float, *, full: bool = False) -> Answer:
        """Return whether there is a case for which all formulas are true.

        Without `full`, numbers that have no linear form may be anything: ``none`` is certain,
        ``some`` is not.
        """
        parts = self._parts_of(formulas)
        if self._contradict(parts):
            return "none"
        self._learn()
        return self._asked(parts, seconds, full)

    def contradict(self, formulas: Iterable[Bool]) -> bool:
        """Return whether formulas are known to contradict each other, without asking."""
        return self._contradict(self._parts_of(formulas))

    def _contradict(self, parts: dict[int, Any]) -> bool:
        return _NEVER in parts or any(found <= parts.keys() for found in self._contradictions)

    def _parts_of(self, formulas: Iterable[Bool]) -> dict[int, Any]:
        parts: dict[int, Any] = {}
        for formula in formulas:
            if formula is False:
                parts[_NEVER] = formula
            elif formula is not True:
                parts |= self._split(formula)
        return parts

    def numbers(self, formulas: Iterable[Bool]) -> set[int]:
        """Return the numbers of the parts of formulas."""
        return {*self._parts_of(formulas)}

    def _split(self, formula: Any) -> dict[int, Any]:
        """Return the parts of a formula by number, all of which have to be true."""
        known = self._parts.get(formula.get_id())
        if known is None:
            known = {part.get_id(): part for part in _conjuncts(formula)}
            self._parts[formula.get_id()] = known
            self._kept.append(formula)
        return known

    def _asked(self, parts: dict[int, Any], seconds: float, full: bool) -> Answer:
        solver = self._solver
        solver.push()
        solver.set("timeout", max(1, int(seconds * 1000)))
        for number, part in parts.items():
            solver.assert_and_track(part, f"part {number}")
        if full:
            solver.add(self._reals.definitions)
        found = _SAID[str(solver.check())]
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


class Cases:
    """The cases that some formulas allow, narrowed by one wish after the other.

    `none` says that no case fulfills the last wish, for certain.
    """

    def __init__(self, formulas: Iterable[Bool]) -> None:
        self._solver = z3.Solver()
        self._solver.add([formula for formula in formulas if formula is not True])
        self.none = False

    def narrowed(self, wish: Bool, seconds: float) -> Any:
        """Return a case, as a model, that fulfills a wish, and keep the wish; None for none."""
        self._solver.push()
        self._solver.set("timeout", max(1, int(seconds * 1000)))
        self._solver.add(wish)
        answer = self._solver.check()
        if answer == z3.sat:
            return self._solver.model()
        self.none = answer == z3.unsat
        self._solver.pop()
        return None


def _conjuncts(formula: Bool) -> list[Any]:
    if formula is True:
        return []
    if z3.is_and(formula):
        return [part for child in formula.children() for part in _conjuncts(child)]
    if z3.is_not(formula) and z3.is_or(formula.arg(0)):
        return [part for child in formula.arg(0).children() for part in _conjuncts(z3.Not(child))]
    return [formula]
