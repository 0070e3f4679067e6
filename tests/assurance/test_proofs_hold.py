"""What is proved of rule sets at random is true of cases at random, and what is refuted is shown.

VERIFIER_PROOF_SETS asks for more rule sets than the few of a usual run, VERIFIER_PROOF_SEED for
others.
"""

import os
import sys
from collections import Counter
from pathlib import Path
from random import Random

import pytest
from test_formulas_agree import as_read

from verifier.assurance.proving import prove
from verifier.assurance.showing import Shown, breaking
from verifier.decide.decide import decide
from verifier.language import Program, check

sys.path.append(str(Path(__file__).parents[1] / "language"))

from oracle_cases import Chance
from oracle_texts import GRID, Writer

SETS = int(os.environ.get("VERIFIER_PROOF_SETS", "12"))
SEED = int(os.environ.get("VERIFIER_PROOF_SEED", "1"))
CASES = 150


def with_guarantees(seed: int) -> tuple[Program | None, Random]:
    """Return a rule set that mostly releases what is usual, with guarantees at random."""
    random = Random(seed)
    writer = Writer(random)
    text = writer.rule_set()
    for name in GRID:
        text = text.replace(f"test {name}\n", f'test {name}\n  code local "{name.upper()}"\n')
    for number in range(4):
        test = random.choice([*GRID])
        writer.test = ""
        text += f'guarantee "g{number}"\n  from "s"\n  never release {test} when '
        text += f"{writer.truth(1)}\n"
    return check({"a.rules": text}).program, random


@pytest.mark.parametrize("number", range(SETS))
def test_proved_is_never_broken(number: int) -> None:
    program, random = with_guarantees(SEED * 10_000 + number)
    if program is None:
        pytest.skip("the checker refuses this rule set")
    found = prove(program, seconds=3)
    print(Counter(proof.outcome for proof in found.proofs))
    proved = {proof.name for proof in found.proofs if proof.outcome == "proved"}
    for proof in found.proofs:
        assert (proof.outcome == "refuted") == (proof.counterexample is not None)
    chance = Chance(random, program.catalogue, [])
    for _ in range(CASES):
        case = as_read(chance.case(), program, random)
        shown = Shown(case, decide(case, program))
        for guarantee in program.guarantees:
            broken = breaking(program, guarantee, shown)
            assert not (broken and guarantee.name in proved), (guarantee.name, case)
