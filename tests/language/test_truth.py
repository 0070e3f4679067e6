"""Three-valued logic against Kleene's tables, and censored comparison against trying values."""

from decimal import Decimal
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.facts.values import Between
from verifier.language.comparing import settled
from verifier.language.limits import Stretch
from verifier.language.truth import Missing, Truth, Unknown, both, either, opposite

U = Unknown(Missing("a", "not ordered", "a is missing"))
V = Unknown(Missing("b", "not ordered", "b is missing"))

# Kleene, Introduction to Metamathematics, 1952, section 64 (strong tables); N is unknown
AND = ["TTT", "TFF", "TNN", "FTF", "FFF", "FNF", "NTN", "NFF", "NNN"]
OR = ["TTT", "TFT", "TNT", "FTT", "FFF", "FNN", "NTT", "NFN", "NNN"]


def truth(letter: str, unknown: Unknown = U) -> Truth:
    return {"T": True, "F": False}.get(letter, unknown)


@pytest.mark.parametrize("row", AND)
def test_and(row: str) -> None:
    assert both(truth(row[0]), truth(row[1])) == truth(row[2])


@pytest.mark.parametrize("row", OR)
def test_or(row: str) -> None:
    assert either(truth(row[0]), truth(row[1])) == truth(row[2])


def test_not() -> None:
    assert (opposite(True), opposite(False), opposite(U)) == (False, True, U)


def test_unknown_carries_everything_that_is_missing() -> None:
    assert both(U, V) == either(U, V) == Unknown(*U.missing, *V.missing)
    assert both(U, V).sentences() == ["a is missing", "b is missing"]  # type: ignore[union-attr]


TRUTHS: list[Truth] = [True, False, U, V]


@pytest.mark.parametrize(("a", "b", "c"), list(product(TRUTHS, repeat=3)))
def test_laws(a: Truth, b: Truth, c: Truth) -> None:
    assert both(a, b) == both(b, a)
    assert either(a, b) == either(b, a)
    assert both(a, both(b, c)) == both(both(a, b), c)
    assert opposite(both(a, b)) == either(opposite(a), opposite(b))  # De Morgan


BOUNDS = st.one_of(st.none(), st.integers(-4, 4).map(Decimal))


@st.composite
def ranges(draw: st.DrawFn) -> Between:
    low, high = draw(BOUNDS), draw(BOUNDS)
    if low is not None and high is not None and low > high:
        low, high = high, low
    closed = low is not None and low == high
    return Between(low, high, draw(st.booleans()) or closed, draw(st.booleans()) or closed)


def inside(value: Decimal, between: Between) -> bool:
    low = between.low is None or value > between.low
    low = low or (between.low_included and value == between.low)
    high = between.high is None or value < between.high
    return low and (high or (between.high_included and value == between.high))


# Bounds and limits are whole, so every region of the line has a member among the quarters.
CANDIDATES = [Decimal(n) / 4 for n in range(-40, 41)]
SIGNS = {
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    "=": lambda a, b: a == b,
}


@given(ranges(), st.integers(-5, 5).map(Decimal), st.sampled_from(sorted(SIGNS)))
def test_a_range_settles_a_comparison_when_all_its_values_agree(
    between: Between, limit: Decimal, sign: str
) -> None:
    answers = {SIGNS[sign](v, limit) for v in CANDIDATES if inside(v, between)}
    assert settled(sign, between, limit) == (answers.pop() if len(answers) == 1 else None)


@given(ranges(), ranges())
def test_a_range_belongs_to_a_stretch_when_all_its_values_do(between: Between, of: Between) -> None:
    stretch = Stretch(of.low, of.low_included, of.high, of.high_included)
    answers = {stretch.holds(v) for v in CANDIDATES if inside(v, between)}
    found = stretch.holds_range(between)
    assert found is None or answers == {found}
    assert answers != {True} or found is True


@given(ranges(), st.integers(-40, 40))
def test_the_compiled_stretch_is_the_stretch(of: Between, quarter: int) -> None:
    stretch, value = (
        Stretch(of.low, of.low_included, of.high, of.high_included),
        Decimal(quarter) / 4,
    )
    assert stretch.compiled()(value) == stretch.holds(value) == inside(value, of)
