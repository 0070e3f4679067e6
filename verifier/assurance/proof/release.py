"""What leaves, for the solver: the rules and the built-in safeguards together, as `decide` does it.

A result is released when nothing speaks against it. Each thing that could is one `Hold`.
"""

from collections.abc import Iterator
from typing import NamedTuple

from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.names import Names
from verifier.assurance.proof.quantities import Quantity
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.truths import (
    Bool,
    every,
    negated,
    some,
    unsettled,
)
from verifier.assurance.proof.typed import Place, UnencodedError
from verifier.assurance.proof.walk import Walk
from verifier.language import tree
from verifier.language.program import Program
from verifier.language.rules import CompiledRule

_WIDE = ("specimen", "patient")


class Hold(NamedTuple):
    """Where one rule or safeguard (`name`) holds a result."""

    name: str
    holds: Bool


class Said(NamedTuple):
    """Where a rule, with one result in hand, certainly speaks, and where for want of facts."""

    fires: Bool
    doubts: Bool


class Ruled:
    """A rule set as formulas over the facts of a case."""

    def __init__(self, program: Program, facts: Facts, reals: Reals) -> None:
        self.program, self.facts = program, facts
        self.names = Names(program)
        self.walk = Walk(self.names, facts, reals)
        self.unencoded: dict[str, UnencodedError] = {}
        self._said: dict[tuple[str, str, bool], Said] = {}
        self._wide = self._wide_rules()

    # --- what one rule says ---

    def said(self, rule: CompiledRule, test: str, *, several: bool = False) -> Said:
        """Return where a rule speaks with a result in hand; with `several`, one of several."""
        key = rule.name, test, several
        if key not in self._said:
            place = self.walk.in_hand(test)
            if several:
                place = Place(test, self.facts.one_of_several(test))
            try:
                self._said[key] = self._speaks(rule, self.names.rules[rule.name], place)
            except UnencodedError as error:
                self.unencoded[rule.name] = error
                self._said[key] = Said(False, False)
        return self._said[key]

    def _speaks(self, compiled: CompiledRule, rule: tree.Rule, place: Place) -> Said:
        truth = self.walk.truth(rule.condition, place)
        narrowed = some(self.walk.truth(item.condition, place).yes for item in rule.exceptions)
        open_ = negated(narrowed)
        unknown = every((unsettled(truth), open_))
        doubts = unknown if compiled.holds_unknown else False
        if compiled.wait and not compiled.holds_unknown:
            doubts = every((unknown, self._waits(compiled)))
        return Said(every((truth.yes, open_)), doubts)

    def _waits(self, rule: CompiledRule) -> Bool:
        missing = some(negated(self.present(name)) for name in rule.wait)
        return every((missing, self.facts.elapsed < int(rule.wait_up_to.total_seconds())))

    def present(self, test: str) -> Bool:
        """Return whether a test has a result in the specimen; a derived one is never sent."""
        return self.facts.test(test).present if test in self.names.tests else False

    def gaps(self) -> tuple[str, ...]:
        """Return what has no formula, one sentence for each rule; such rules hold nothing here."""
        return tuple(
            f"rule {name} has no formula: {error.why}" for name, error in self.unencoded.items()
        )

    # --- what holds one result ---

    def holds(self, test: str) -> Iterator[Hold]:
        """Yield everything that can hold a result or derived result, rules of its own first."""
        yield from self.holds_of_its_own(test)
        if test in self.names.tests:
            yield from self.holds_from_elsewhere(test)
            yield from self._from_derived(test)
        else:
            yield from self.holds_from_elsewhere(test)
            yield from self._of_inputs(test)

    def holds_of_its_own(self, test: str) -> Iterator[Hold]:
        """Yield what the rules for a result hold it for."""
        return (self._own(rule, test) for rule in self.program.rules_of(test))

    def _own(self, rule: CompiledRule, test: str) -> Hold:
        said = self.said(rule, test)
        measured = test in self.names.tests
        reached = rule.scope in ("result", *_WIDE) or (
            rule.scope == "tests" and measured and test in rule.held
        )
        fires = reached or (rule.scope == "nothing" and rule.instead is not None)
        doubts = reached or rule.scope == "nothing"
        parts = (said.fires if fires else False, said.doubts if doubts else False)
        return Hold(rule.name, some(parts))

    def _wide_rules(self) -> list[tuple[CompiledRule, str]]:
        """Return the rules that can hold other results than the one in hand, with its test."""
        judged = ["", *self.names.tests, *self.names.reported]
        return [
            (rule, test)
            for test in judged
            for rule in self.program.rules_of(test)
            if rule.scope in (*_WIDE, "tests")
        ]

    def holds_from_elsewhere(self, test: str) -> Iterator[Hold]:
        held = {test} & self.names.tests.keys()  # `hold …` of named tests holds none derived
        for rule, other in self._wide:
            if other == test or (rule.scope == "tests" and not held & {*rule.held}):
                continue
            yield Hold(rule.name, self._heard(rule, other))

    def holding_the_specimen(self) -> Iterator[Hold]:
        """Yield what holds whatever there is in the specimen."""
        for rule in self.program.rules_of(""):
            if rule.scope in _WIDE:
                yield Hold(rule.name, self._heard(rule, ""))

    def _heard(self, rule: CompiledRule, other: str) -> Bool:
        """Return where a rule speaks that looks at another result, or at none."""
        said = some(self.said(rule, other))
        if not other:
            return said
        if other not in self.names.tests:
            return every((self._told(other), said))
        here = every((self.present(other), negated(self.facts.flag(f"{other}.several")), said))
        one = some(self.said(rule, other, several=True))
        return some((here, every((self.facts.flag(f"{other}.several"), one))))

    # --- derived results ---

    def _told(self, derived: str) -> Bool:
        """Return whether a derived result is worked out."""
        return self.walk.value_of(derived).known

    def _suppressed(self, test: str) -> Bool:
        """Return whether words stand in place of a result."""
        found = []
        for rule in self.program.rules_of(test):
            if rule.instead is not None and (rule.scope != "tests" or test in rule.held):
                found.append(self._fires(rule, test))
        for rule, other in self._wide:
            reaches = other != test and (rule.scope != "tests" or test in rule.held)
            if rule.instead is not None and reaches:
                found.append(self._fires(rule, other))
        return every((self.present(test), some(found)))

    def _fires(self, rule: CompiledRule, test: str) -> Bool:
        """Return where a rule certainly speaks of some result of a test."""
        fires = self.said(rule, test).fires
        if not test or fires is False:
            return fires
        if test not in self.names.tests:
            return every((self._told(test), fires))
        several = self.facts.flag(f"{test}.several")
        one = self.said(rule, test, several=True).fires
        here = every((self.present(test), fires, negated(several)))
        return some((here, every((several, one))))

    def reported(self, derived: str) -> Bool:
        """Return whether a derived result goes out: not where an input is suppressed."""
        inputs = self.program.inputs(derived)
        return every((self._told(derived), *(negated(self._suppressed(name)) for name in inputs)))

    def _from_derived(self, test: str) -> Iterator[Hold]:
        """Yield what is passed on to a result by what is worked out from it."""
        for name in self.names.reported:
            if test not in self.program.inputs(name):
                continue
            for rule in self.program.rules_of(name):
                if rule.scope in ("result", *_WIDE) or (rule.instead and rule.scope == "nothing"):
                    fires = self.said(rule, name).fires
                    if fires is not False:
                        yield Hold(rule.name, every((self.reported(name), fires)))

    def _of_inputs(self, derived: str) -> Iterator[Hold]:
        """Yield what holds a derived result for its inputs; one that is not there holds nothing."""
        for name in self.program.inputs(derived):
            left = self.facts.flag(f"{name}.left before")
            stays = negated(some((left, self.released(name))))
            yield Hold("built-in:inputs", every((self.present(name), stays)))

    # --- what leaves ---

    def can_leave(self, test: str) -> bool:
        """Return whether a result could ever leave: a rule covers it, a derived one is reported."""
        if test not in self.names.tests:
            return test in self.names.reported
        definition = self.names.tests[test]
        return definition.kind == "index" or bool(self.program.rules_of(test))

    def open(self, test: str) -> Bool:
        """Return where no safeguard holds a result; a derived one where it is worked out."""
        if test not in self.names.tests:
            return self.reported(test)
        definition, measured = self.names.tests[test], self.facts.test(test)
        parts: list[Bool] = [measured.value.known]
        if definition.kind != "index" and definition.controlled:
            parts.append(self.facts.control(test).yes)
        if definition.specimens:
            words = self.names.specimens
            kinds = (
                self.facts.is_word("specimen", kind, words).yes for kind in definition.specimens
            )
            parts.append(some(kinds))
        return every((*parts, negated(self.facts.flag(f"{test}.left before"))))

    def released(self, test: str) -> Bool:
        """Return where a result leaves without a person."""
        if not self.can_leave(test):
            return False
        return every((self.open(test), *(negated(hold.holds) for hold in self.holds(test))))

    def value(self, test: str) -> Quantity:
        """Return the value of a test or derived result."""
        return self.walk.value_of(test)
