"""The control rules on the sequences their definitions settle, and their open choices.

Definitions: Westgard JO, Barry PL, Hunt MR, Groth T, Clin Chem 1981;27:493-501. The sequences are
computed from them by hand.
"""

from decimal import Decimal
from fractions import Fraction

import pytest
from msgspec.structs import replace

from verifier.quality.choices import Choices, Measurement
from verifier.quality.rules import untried, violations

STRICT = Choices()
RANGE = Choices(spread="range")
EVERYWHERE = Choices(across=("2-2s", "4-1s", "8x", "10x", "12x"))
TEN = ".2 .3 .1 .5 .4 .9 .2 .3 .1 .6"


def runs(*written: str) -> list[Measurement]:
    """Each text is one run; its values are those of level 1, level 2 and so on."""
    return [
        Measurement(f"level {place}", f"run {number}", Fraction(Decimal(z)))
        for number, text in enumerate(written, 1)
        for place, z in enumerate(text.split(), 1)
    ]


def broken(measurements: list[Measurement], choices: Choices = STRICT) -> set[str]:
    return {v.rule for v in violations(measurements, choices)}


def rejecting(measurements: list[Measurement], choices: Choices = STRICT) -> set[str]:
    found = violations(measurements, choices)
    return {v.rule for v in found if v.severity == "rejection"}


SEQUENCES = [
    (1, runs("0.3", "-1.1", "1.9"), STRICT, set()),
    (2, runs("3.2"), STRICT, {"1-2s", "1-3s"}),
    (3, runs("3.0"), STRICT, {"1-2s"}),
    (4, runs("2.1", "2.3"), STRICT, {"1-2s", "2-2s"}),
    (5, runs("2.1", "-2.3"), STRICT, {"1-2s"}),
    (6, runs("2.1 2.4"), STRICT, {"1-2s", "2-2s"}),
    (7, runs("2.3 -2.2"), STRICT, {"1-2s", "R-4s"}),
    (7, runs("2.3 -2.2"), RANGE, {"1-2s", "R-4s"}),
    (8, runs("2.5 -1.8"), STRICT, {"1-2s"}),
    (8, runs("2.5 -1.8"), RANGE, {"1-2s", "R-4s"}),
    (9, runs("3.5 -0.7"), STRICT, {"1-2s", "1-3s"}),
    (9, runs("3.5 -0.7"), RANGE, {"1-2s", "1-3s", "R-4s"}),
    (10, runs("1.2", "1.1", "1.5", "1.3"), STRICT, {"4-1s"}),
    (11, runs("1.2", "1.0", "1.5", "1.3"), STRICT, set()),
    (12, runs("1.2 1.3", "1.4 1.1"), STRICT, set()),
    (12, runs("1.2 1.3", "1.4 1.1"), EVERYWHERE, {"4-1s"}),
    (13, runs(*TEN.split()), STRICT, {"10x"}),
    (14, runs(*TEN.replace(".9", "0.0").split()), STRICT, set()),
    (15, runs(*["0.2"] * 9), STRICT, set()),
]  # fmt: skip


@pytest.mark.parametrize(
    ("number", "measurements", "choices", "expected"),
    SEQUENCES,
    ids=[f"{n}-{'range' if c is RANGE else 'any' if c is EVERYWHERE else ''}{at}"
         for at, (n, _, c, _) in enumerate(SEQUENCES)],
)  # fmt: skip
def test_a_sequence_breaks_the_rules_it_should(
    number: int, measurements: list[Measurement], choices: Choices, expected: set[str]
) -> None:
    assert broken(measurements, choices) == expected


def test_nine_values_are_too_few_for_ten() -> None:
    assert "10x" in untried(runs(*["0.2"] * 9), STRICT)
    assert "10x" not in untried(runs(*["0.2"] * 10), STRICT)
    assert untried(runs("0.1 0.2"), STRICT) == ("4-1s", "10x")


def test_three_materials_of_one_run() -> None:
    """A teaching example of the procedure: 111 (100 ± 5), 167 (150 ± 8), 202 (200 ± 10)."""
    values = [(111, 100, 5), (167, 150, 8), (202, 200, 10)]
    run = [
        Measurement(f"level {place}", "run", Fraction(value - mean, sd))
        for place, (value, mean, sd) in enumerate(values, 1)
    ]
    assert [float(each.z) for each in run] == [2.2, 2.125, 0.2]
    (found,) = (v for v in violations(run, STRICT) if v.severity == "rejection")
    assert (found.rule, found.points) == ("2-2s", (0, 1))


def test_a_value_exactly_on_the_limit_is_beyond_it_where_that_is_chosen() -> None:
    inclusive = Choices(inclusive=True)
    assert rejecting(runs("3.0"), inclusive) == {"1-3s"}
    assert rejecting(runs("2.0", "2.0"), inclusive) == {"2-2s"}
    assert rejecting(runs("2 -2"), inclusive) == {"R-4s"}
    assert rejecting(runs("2 -2"), replace(inclusive, spread="range")) == {"R-4s"}
    assert rejecting(runs("1", "1", "1", "1"), inclusive) == {"4-1s"}
    assert not rejecting(runs(*["0"] * 12), replace(inclusive, reject=("8x", "10x", "12x")))


def test_limits_are_compared_exactly() -> None:
    assert (0.4 - 0.1) / 0.1 > 3, "in binary floating point 0.4 is beyond 0.1 ± 3 · 0.1"
    z = (Fraction("0.4") - Fraction("0.1")) / Fraction("0.1")
    assert not rejecting([Measurement("1", "r", z)])
    third = Fraction(1, 3)
    assert rejecting([Measurement("1", "r", 9 * third)], Choices(inclusive=True)) == {"1-3s"}


@pytest.mark.parametrize(("rule", "count"), [("8x", 8), ("10x", 10), ("12x", 12)])
def test_as_many_on_one_side_as_the_rule_says(rule: str, count: int) -> None:
    choices = Choices(warn=(), reject=(rule,))  # type: ignore[arg-type]
    assert not broken(runs(*["-0.1"] * (count - 1)), choices)
    (found,) = violations(runs(*["-0.1"] * count), choices)
    assert found.points == tuple(range(count))


def test_nothing_looks_back_over_a_corrective_action() -> None:
    before, after = runs("1.2", "1.1", "1.5"), replace(runs("1.3")[0], run="later", epoch=1)
    assert rejecting([*before, replace(after, epoch=0)]) == {"4-1s"}
    assert not rejecting([*before, after])
    high = [replace(each, epoch=at) for at, each in enumerate(runs("2.4 2.4"))]
    assert not rejecting(high), "nor within a run"


def test_nothing_looks_back_over_a_new_lot_of_its_level() -> None:
    old = [replace(each, lot="A") for each in runs("2.4")]
    new = replace(runs("2.4")[0], run="next", lot="B")
    assert rejecting([*old, replace(new, lot="A")]) == {"2-2s"}
    assert not rejecting([*old, new])
    other = replace(new, level="level 2", run="third")
    again = replace(new, run="fourth")
    assert rejecting([*old, new, other, again]) == {"2-2s"}, "the other level changes nothing"


def test_two_lots_measured_side_by_side_keep_a_row_each() -> None:
    lots = [
        replace(each, lot=lot, run=f"{at}{lot}")
        for at, each in enumerate(runs("1.2", "1.1", "1.5", "1.3"))
        for lot in "AB"
    ]
    found = violations(lots, STRICT)
    assert [(v.rule, v.points) for v in found] == [("4-1s", (0, 2, 4, 6)), ("4-1s", (1, 3, 5, 7))]


def test_a_warning_may_be_asked_for_before_anything_else() -> None:
    four = runs("1.2", "1.1", "1.5", "1.3")
    assert rejecting(four) == {"4-1s"}
    assert not rejecting(four, Choices(after_warning=True))
    warned = [*four[:3], replace(four[3], z=Fraction(21, 10))]
    assert rejecting(warned, Choices(after_warning=True)) == {"4-1s"}


def test_replicates_of_one_level_in_a_run_count_for_the_spread() -> None:
    replicates = [Measurement("1", "r", Fraction(z)) for z in ("2.1", "-2.1")]
    assert rejecting(replicates) == {"R-4s"}
    assert not rejecting([replicates[0], replace(replicates[1], run="s")])


def test_the_order_within_a_run_changes_nothing() -> None:
    for values in ("2.4 0.1 2.2", "2.4 2.2 0.1", "0.1 2.4 2.2"):
        assert rejecting(runs(values)) == {"2-2s"}
    for values in ("2.4 0.1 -2.2", "-2.2 2.4 0.1", "0.1 2.4 -2.2"):
        assert rejecting(runs(values)) == {"R-4s"}
