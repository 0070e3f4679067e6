"""Edge cases: made from the words of every limit row, and decided by the real decision."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_rules import SMALL, program_of

from verifier.assurance.asking import EdgeRun, run_edges
from verifier.assurance.grid import around
from verifier.assurance.suite import edge_cases, run_suite
from verifier.assurance.watching import Recorder
from verifier.assurance.writing import given as written
from verifier.language import check
from verifier.language.source import Source


def runs(text: str) -> tuple[EdgeRun, ...]:
    tested = run_suite({"small.rules": text})
    assert tested is not None
    return tested.edges


def table(edges: tuple[EdgeRun, ...], kind: str, population: str = "") -> list[tuple[str, bool]]:
    found = [run for run in edges if run.case.kind == kind]
    assert all(run.passed and run.asked for run in found)
    return [(str(r.case.value), r.case.expected) for r in found if r.case.population == population]


def test_every_edge_gets_a_value_below_at_and_above_it() -> None:
    """Worked out by hand from `below 2.8, above 6.2` and `below 2.5, 7.0 or above`."""
    edges = runs(SMALL)
    assert table(edges, "critical", "adult") == [
        ("2.7", True), ("2.8", False), ("2.9", False), ("6.1", False), ("6.2", False),
        ("6.3", True),
    ]  # fmt: skip
    assert table(edges, "critical", "child") == [
        ("2.4", True), ("2.5", False), ("2.6", False), ("6.9", False), ("7.0", True), ("7.1", True),
    ]  # fmt: skip


def test_the_patient_belongs_to_the_row() -> None:
    program = program_of(SMALL)
    for run in runs(SMALL):
        assert run.case.step is not None
        who = written(program.catalogue, run.case.step)
        assert who.startswith("woman of 40" if run.case.population == "adult" else "girl of 17")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("autorelease 2.8 to 6.0", "2.7 out, 2.8 in, 2.9 in, 5.9 in, 6.0 in, 6.1 out"),
        ("autorelease 2.8 or above", "2.7 out, 2.8 in, 2.9 in"),
        ("autorelease above 2.8", "2.7 out, 2.8 out, 2.9 in"),
        ("autorelease 6.0 or below", "5.9 in, 6.0 in, 6.1 out"),
        ("autorelease below 6.0", "5.9 in, 6.0 out, 6.1 out"),
        ("autorelease below 6000 umol/L", "5.9 in, 6 out, 6.1 out"),
        ("autorelease below 2.85", "2.8 in, 2.85 out, 2.9 out"),
        ("autorelease 2.0 to 3.0, 4.0 or above", "1.9 out, 2.0 in, 2.1 in, 2.9 in, 3.0 in, 3.1 out"
         ", 3.9 out, 4.0 in, 4.1 in"),
    ],
)  # fmt: skip
def test_the_operator_is_read_from_the_words(row: str, said: str) -> None:
    more = f"""
limits for potassium
  from "an invented procedure"
  {row}

rule outside for potassium
  from "an invented procedure"
  hold when result is outside autorelease
  because "{{result}}"
"""
    edges = table(runs(SMALL + more), "autorelease")
    assert ", ".join(f"{v} {'out' if outside else 'in'}" for v, outside in edges) == said


CHANGE = """
limits for potassium
  from "an invented procedure"
  {row}

rule changed for potassium
  from "an invented procedure"
  hold when result changed too much
  when unknown ignore
  because "{{result}}"
"""


@pytest.mark.parametrize(
    ("row", "before", "most"),
    [
        ("change at most 0.5 within 3 days", "1 day", Fraction(1, 2)),
        ("change at most 0.5 within 8 hours", "8 hours", Fraction(1, 2)),
        ("change at most 0.5 per day within 3 days", "1 day", Fraction(1, 2)),
        ("change at most 0.6 per day within 12 hours", "12 hours", Fraction(3, 10)),
    ],
)
def test_change_limits_have_edges_up_and_down(row: str, before: str, most: Fraction) -> None:
    program = program_of(SMALL + CHANGE.format(row=row))
    found = [r for r in runs(SMALL + CHANGE.format(row=row)) if r.case.kind == "change"]
    assert [run.case.side for run in found] == ["below", "at", "above"] * 2
    for run in found:
        assert run.answers == {run.case.expected}
        step = run.case.step
        assert step is not None
        assert f"{before} before" in written(program.catalogue, step)
        _, earlier, _ = step.earlier[0]
        moved = abs(Fraction(run.case.value) - Fraction(earlier.value))  # type: ignore[union-attr]
        assert run.case.expected is (moved > most)
        assert abs(moved - most) <= Fraction(1, 10)


def test_a_change_in_percent_is_hit_exactly() -> None:
    found = [
        r for r in runs(SMALL + CHANGE.format(row="change at most 20 % within 3 days"))
        if r.case.kind == "change" and r.case.side == "at"
    ]  # fmt: skip
    assert [run.answers for run in found] == [{False}, {False}]
    for run in found:
        assert run.case.step is not None
        _, earlier, _ = run.case.step.earlier[0]
        moved = abs(run.case.value - earlier.value)  # type: ignore[union-attr]
        assert moved * 5 == earlier.value  # type: ignore[union-attr]


DERIVED = """
test albumin "Albumin"
  unit g/L  decimals 0
test calcium "Calcium"
  unit mmol/L  decimals 2
limits for albumin
  from "an invented procedure"
  reference 30 to 50
limits for calcium
  from "an invented procedure"
  reference 2.10 to 2.60
derive adjusted "Adjusted calcium"
  unit mmol/L  decimals 2
  formula calcium + 0.02 mmol/g * (40 g/L - albumin)
  from "Payne, BMJ 1973;4:643, in SI units"
limits for adjusted
  from "an invented procedure"
  critical above 3.50
rule adjusted-calcium for calcium
  from "an invented procedure"
  hold when adjusted is critical
  when unknown ignore
  because "{adjusted}"
"""


def test_results_are_found_that_bring_a_derived_result_to_its_edge() -> None:
    """By the formula of Payne: with albumin 40 g/L the adjusted calcium is the calcium."""
    program = program_of(SMALL + DERIVED)
    found = [run for run in runs(SMALL + DERIVED) if run.case.test == "adjusted"]
    assert [run.answers for run in found] == [{False}, {False}, {True}]
    steps = [written(program.catalogue, run.case.step) for run in found if run.case.step]
    assert steps == [
        f"woman of 40 years, albumin 40 g/L, calcium {value} mmol/L"
        for value in (3.49, "3.50", 3.51)
    ]


def test_a_limit_nobody_asks_for_has_no_answer() -> None:
    more = '\nlimits for potassium\n  from "s"\n  autorelease 2.8 to 6.0\n'
    found = [run for run in runs(SMALL + more) if run.case.kind == "autorelease"]
    assert [run.asked for run in found] == [False] * 6


def test_flags_answer_for_reference_limits() -> None:
    more = '\nlimits for potassium\n  from "s"\n  reference 3.5 to 5.2\n'
    assert table(runs(SMALL + more), "reference") == [
        ("3.4", True), ("3.5", False), ("3.6", False), ("5.1", False), ("5.2", False),
        ("5.3", True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("row", "other", "differs"),
    [
        ("above 6.2", "6.2 or above", ["6.2"]),
        ("above 6.2", "above 6.1", ["6.2"]),
        ("above 6.2", "above 6.3", ["6.3"]),
        ("7.0 or above", "above 7.0", ["7.0"]),
        ("below 2.5", "below 2.4", ["2.4"]),
    ],
)
def test_a_limit_that_is_not_what_is_written_is_found(
    row: str, other: str, differs: list[str]
) -> None:
    """The cases of one rule set, run on one whose limit is another."""
    cases = edge_cases(program_of(SMALL), {"small.rules": Source("small.rules", SMALL)})
    recorder = Recorder()
    program = check({"small.rules": SMALL.replace(row, other)}, watch=recorder).program
    assert program is not None
    assert [
        str(r.case.value) for r in run_edges(program, recorder, cases) if not r.passed
    ] == differs


@given(
    st.decimals(min_value=-1000, max_value=1000, places=3),
    st.integers(min_value=0, max_value=3),
)
def test_nothing_that_can_be_reported_lies_between_a_value_and_its_edge(
    edge: Decimal, decimals: int
) -> None:
    step = Decimal(1).scaleb(-decimals)
    found = dict(around(edge, decimals))
    assert found["below"] < edge < found["above"]
    assert found["below"] % step == found["above"] % step == 0
    assert found["below"] + step >= edge >= found["above"] - step


def test_dilutions_go_in_doubling_steps() -> None:
    assert around(Decimal(80), None, titer=True) == [("below", 40), ("at", 80), ("above", 160)]
