"""Compiled rules and a plain reading of the same statements agree on cases at random.

Some tens of thousands of cases as a rule; VERIFIER_ORACLE_CASES asks for more, VERIFIER_ORACLE_SEED
for others.
"""

import os
from decimal import Decimal
from random import Random

import pytest
from oracle_cases import Chance
from oracle_numbers import TooClose
from oracle_rules import Oracle, Spoken, plain
from oracle_texts import Writer

from verifier.facts.case import Case
from verifier.facts.values import Number
from verifier.facts.verdicts import Judgement
from verifier.language import Program, check
from verifier.language.findings import Findings
from verifier.language.reader import read
from verifier.language.source import Source

CASES = int(os.environ.get("VERIFIER_ORACLE_CASES", "20000"))
SEED = int(os.environ.get("VERIFIER_ORACLE_SEED", "1"))
PER_SET = 150 if CASES < 100_000 else 500
BATCHES = 8


def written(text: str) -> Oracle:
    sources = {"a.rules": Source("a.rules", text)}
    return Oracle(read(sources, Findings(sources)).declarations)


def compiled(judgement: Judgement) -> Spoken:
    """Return what the program said in the words of the oracle."""
    return Spoken(
        reasons={n: {(r.rule, r.kind) for r in found} for n, found in judgement.reasons.items()},
        comments={n: set(found) for n, found in judgement.comments.items()},
        requests={(r.what, r.rule, r.tests, r.detail) for r in judgement.requests},
        covered=set(judgement.covered),
    )


def differences(case: Case, program: Program, oracle: Oracle) -> list[str]:
    """Return where the two readings of a case differ."""
    judgement = program.judge(case)
    expected = oracle.judge(case)
    found = compiled(judgement)
    out = []
    for what in ("reasons", "comments", "requests", "covered"):
        ours, theirs = getattr(found, what), getattr(expected, what)
        if what == "comments":
            theirs = {n: said for n, said in theirs.items() if n >= 0}
        if ours != theirs:
            out.append(f"{what}: compiled {ours}, read {theirs}")
    derived = {d.test: d for d in judgement.derived}
    if derived.keys() != expected.derived.keys():
        return [*out, f"derived: compiled {sorted(derived)}, read {sorted(expected.derived)}"]
    for name, (value, reasons) in expected.derived.items():
        ours = derived[name]
        if {(r.rule, r.kind) for r in ours.reasons} != reasons:
            out.append(f"{name}: compiled {ours.reasons}, read {reasons}")
        there = oracle.rules.inputs(name) & {result.test for result in case.results}
        if set(ours.inputs) != there:
            out.append(f"{name}: compiled rests on {ours.inputs}, read {sorted(there)}")
        if not _same(ours.value, plain(value)):
            out.append(f"{name}: compiled {ours.value}, read {value}")
    return out


def _same(ours: object, theirs: object) -> bool:
    if isinstance(ours, Number) and isinstance(theirs, Decimal):
        return abs(ours.value - theirs) <= Decimal("1e-15") * (1 + abs(theirs))
    return not isinstance(ours, Number) and not isinstance(theirs, Decimal)


@pytest.mark.parametrize("batch", range(BATCHES))
def test_compiled_rules_and_a_plain_reading_agree(batch: int) -> None:
    judged = close = sets = refused = fired = 0
    while judged + close < CASES // BATCHES:
        seed = (SEED * BATCHES + batch) * 1_000_000 + sets
        random = Random(seed)
        writer = Writer(random)
        text = writer.rule_set()
        sets += 1
        checked = check({"a.rules": text})
        if checked.program is None:
            refused += 1
            assert refused < 20 + sets / 4, [
                d for d in checked.diagnostics if d.severity == "error"
            ]
            continue
        oracle = written(text)
        chance = Chance(random, checked.program.catalogue, writer.made())
        for number in range(PER_SET):
            case = chance.case()
            try:
                found = differences(case, checked.program, oracle)
            except TooClose:
                close += 1
                continue
            assert not found, f"seed {seed}, case {number}: {found}\n{text}\n{case}"
            judged += 1
            fired += oracle.spoke
    print(
        f"{judged} cases of {sets} rule sets ({refused} refused), {close} too close, {fired} held"
    )
    assert judged > 10 * close
    assert CASES < 1000 or 0.2 < fired / judged < 1
