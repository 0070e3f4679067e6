"""The same rules read by somebody else: westgard-python (Apache-2.0), over seeded sequences.

Its choices: strict limits, R-4s as one value beyond each side, a value on the mean breaks a row.
It tries a rule on the newest measurements only, so it is asked again after each.
"""

import random
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import pytest
import westgard
from westgard import EvaluationScope, RuleName

from verifier.quality.choices import Choices, Measurement
from verifier.quality.rules import violations

IN_A_ROW = {
    "2-2s": RuleName.TWO_2S, "4-1s": RuleName.FOUR_1S, "8x": RuleName.EIGHT_X,
    "10x": RuleName.TEN_X, "12x": RuleName.TWELVE_X,
}  # fmt: skip
EVERY_RULE = Choices(
    warn=("1-2s",),
    reject=("1-3s", "2-2s", "R-4s", "4-1s", "8x", "10x", "12x"),
    across=("2-2s", "4-1s", "8x", "10x", "12x"),
)


def seeded(seed: int, levels: int) -> list[Measurement]:
    """Runs of all levels; a slow drift, wide and narrow stretches, values on the limits."""
    source = random.Random(seed)
    shift, found = source.choice([0, 0, 8, -14, 21]), []
    for run in range(source.randint(1, 16)):
        for level in range(levels):
            tenths = round(source.gauss(shift, source.choice([3, 9, 16])))
            z = Fraction(Decimal(tenths).scaleb(-1))
            found.append(Measurement(f"level {level}", f"run {run}", z))
    return found


def observed(measurements: Sequence[Measurement]) -> list[westgard.ControlObservation]:
    return [
        westgard.ControlObservation(
            analyte="a", material=m.level, run_id=m.run, sequence=at, z_score=float(m.z)
        )
        for at, m in enumerate(measurements)
    ]


def says(rule: RuleName, seen: Sequence[object], scope: EvaluationScope, needed: int = 1) -> bool:
    if len(seen) < needed:
        return False
    return bool(
        westgard.evaluate_rule(rule, tuple(seen), scope=scope, stream_name="s").violated  # type: ignore[arg-type]
    )


def expected(measurements: Sequence[Measurement], levels: int) -> list[set[str]]:
    """What the other reader says of each measurement, as the newest of those before it."""
    seen, told = observed(measurements), []
    for at, newest in enumerate(seen):
        before = seen[: at + 1]
        run = [o for o in before if o.run_id == newest.run_id]
        own = [o for o in before if o.material == newest.material]
        within, across = EvaluationScope.WITHIN_MATERIAL, EvaluationScope.ACROSS_MATERIAL
        found = set()
        if says(RuleName.ONE_2S, [newest], EvaluationScope.WITHIN_RUN):
            found.add("1-2s")
        if says(RuleName.ONE_3S, [newest], EvaluationScope.WITHIN_RUN):
            found.add("1-3s")
        outside = abs(newest.z_score) > 2.0
        if outside and says(RuleName.R_4S, run, EvaluationScope.WITHIN_RUN, 2):
            found.add("R-4s")
        for name, rule in IN_A_ROW.items():
            needed = int(name.split("-")[0].rstrip("x"))
            chain = run if name == "2-2s" else before
            if says(rule, own, within, needed) or says(rule, chain, across, needed):
                found.add(name)
        told.append(found)
    return told


@pytest.mark.parametrize("levels", [1, 2])
def test_both_readers_agree_on_every_measurement(levels: int) -> None:
    compared, broken = 0, dict.fromkeys((*EVERY_RULE.warn, *EVERY_RULE.reject), 0)
    for seed in range(1500):
        measurements = seeded(seed, levels)
        ours: list[set[str]] = [set() for _ in measurements]
        for violation in violations(measurements, EVERY_RULE):
            ours[violation.at].add(violation.rule)
            broken[violation.rule] += 1
        assert ours == expected(measurements, levels), seed
        compared += len(measurements)
    assert compared > 10_000
    assert all(count > 20 for rule, count in broken.items() if levels == 2 or rule != "R-4s")
