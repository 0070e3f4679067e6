"""What the solver is given says the same as the evaluator, on rule sets and cases at random.

VERIFIER_PROOF_CASES asks for more cases than the few thousand of a usual run, VERIFIER_PROOF_SEED
for others.
"""

import os
import sys
from pathlib import Path
from random import Random
from typing import Any

import pytest
from casefacts import facts_of
from formulas import Formula, TooClose
from msgspec.structs import replace

from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.release import Ruled
from verifier.decide.decide import decide
from verifier.facts.case import Case, Result
from verifier.facts.values import Between, Number
from verifier.language import Program, check

sys.path.append(str(Path(__file__).parents[1] / "language"))

from oracle_cases import Chance
from oracle_texts import Writer

CASES = int(os.environ.get("VERIFIER_PROOF_CASES", "2000"))
SEED = int(os.environ.get("VERIFIER_PROOF_SEED", "1"))
PER_SET, BATCHES = 50, 4


class Both:
    """A rule set as the evaluator has it and as the solver is given it."""

    def __init__(self, program: Program) -> None:
        self.program, self.facts, self.reals = program, Facts(), Reals()
        self.ruled = Ruled(program, self.facts, self.reals)
        self.formula = Formula()
        judged = [*program.catalogue.tests, *self.ruled.names.reported]
        self.holds = {name: self._holds(name) for name in judged}
        self.reported = {n: self._place(self.ruled.reported(n)) for n in self.ruled.names.reported}
        self.released = {name: self._place(self.ruled.released(name)) for name in judged}
        self.axioms = [
            (axiom, self._place(axiom)) for axiom in (*self.facts.axioms, *self.reals.facts,
                                             *self.reals.definitions)
        ]  # fmt: skip
        assert not self.ruled.unencoded

    def _place(self, formula: Any) -> int | bool:
        return formula if isinstance(formula, bool) else self.formula.add(formula)

    def _holds(self, name: str) -> list[tuple[str, int | bool]]:
        own, others = self.ruled.holds_of_its_own(name), self.ruled.holds_from_elsewhere(name)
        found = [*own, *others]
        return [(hold.name, self._place(hold.holds)) for hold in found]

    def differences(self, case: Case) -> list[str]:
        """Return where the two say something else of a case."""
        facts = facts_of(case, self.program, self.facts)
        worker = self.formula.worker(facts)

        def true(place: int | bool) -> bool:
            return place if isinstance(place, bool) else bool(worker.value(place))

        out = [str(axiom) for axiom, place in self.axioms if not true(place)]
        judgement = self.program.judge(case)
        seen = [r.test for r in case.results if r.test and r.state != "rejected"]
        for at, result in enumerate(case.results):
            if result.state == "rejected" or seen.count(result.test) != 1:
                continue
            said = {reason.rule for reason in judgement.reasons.get(at, ())}
            ours = {name for name, place in self.holds[result.test] if true(place)}
            if ours != said and not (len(seen) > len({*seen}) and ours <= said):
                out.append(f"{result.test}: evaluator {sorted(said)}, solver {sorted(ours)}")
        derived = {item.test: item for item in judgement.derived}
        for name, place in self.reported.items():
            if true(place) != (name in derived):
                out.append(f"{name}: evaluator {name in derived}, solver {true(place)}")
            elif name in derived:
                said = {reason.rule for reason in derived[name].reasons}
                ours = {rule for rule, where in self.holds[name] if true(where)}
                if ours != said:
                    out.append(f"{name}: evaluator {sorted(said)}, solver {sorted(ours)}")
        return out + self._leaving(case, true)

    def _leaving(self, case: Case, true: Any) -> list[str]:
        decision = decide(case, self.program)
        left = {i.test for i in (*decision.results, *decision.derived) if i.outcome == "release"}
        ours = {name for name, place in self.released.items() if true(place)}
        return [] if left == ours else [f"evaluator releases {sorted(left)}, solver {sorted(ours)}"]


def as_read(case: Case, program: Program, random: Random) -> Case:
    """Return a case as it is built from messages: only what stands, with its faults.

    Some results have left with an earlier message.
    """
    tests = program.catalogue.tests
    standing = [result for result in case.results if result.state != "rejected"]
    live = [result.test for result in standing]

    def faults(result: Result) -> dict[str, str]:
        known, found = tests.get(result.test), dict[str, str]()
        if known is None:
            return {"unknown-test": "x"}
        if not isinstance(result.value, Number | Between) or result.unit != known.unit:
            found["unreadable-value"] = "x"
        if live.count(result.test) > 1:
            found["several-values"] = "x"
        if known.specimens and case.specimen.type not in known.specimens:
            found["specimen-type"] = "x"
        return found

    read = [(result, faults(result)) for result in standing]
    results = [
        replace(
            result,
            faults=tuple(found.values()),
            fault_names=tuple(found),
            state="open" if found or random.random() < 0.7 else "released",
        )
        for result, found in read
    ]
    return replace(case, results=tuple(results))


def rule_set(seed: int) -> tuple[Program | None, Random]:
    random = Random(seed)
    return check({"a.rules": Writer(random).rule_set()}).program, random


@pytest.mark.parametrize("batch", range(BATCHES))
def test_formulas_and_evaluator_agree(batch: int) -> None:
    agreed = close = sets = 0
    while agreed + close < CASES // BATCHES:
        seed = (SEED * BATCHES + batch) * 1_000_000 + sets
        sets += 1
        program, random = rule_set(seed)
        if program is None:
            continue
        both, chance = Both(program), Chance(random, program.catalogue, [])
        for number in range(PER_SET):
            case = as_read(chance.case(), program, random)
            if case.patient is None or not case.patient.key:
                continue
            try:
                found = both.differences(case)
            except TooClose:
                close += 1
                continue
            assert not found, f"seed {seed}, case {number}: {found}\n{case}"
            agreed += 1
    assert agreed > 5 * close
