"""What the bench measures is the same work: ours, by hand and in engines, the same rules fire."""

from itertools import compress

import pytest

from verifier.bench import byhand, engines
from verifier.bench.deciding import facts, program
from verifier.bench.forty import RULES, cases

HOW_MANY = 40
NAMES = [name for name, _, _ in RULES]


def test_there_are_forty_rules() -> None:
    assert len(set(NAMES)) == HOW_MANY


def test_by_hand_gives_the_same_reasons() -> None:
    made, seen = program(), set()
    for case in cases(1500, complete=False, seed=3):
        ours = {(r.rule, r.kind) for r in made.judge(case).reasons.get(0, ())}
        assert {(r.rule, r.kind) for r in byhand.judge(case)} == ours
        seen |= ours
    assert len(seen) > HOW_MANY  # most rules were seen true, many unknown


def test_engines_fire_the_same_rules() -> None:
    available, missing = engines.available()
    if not available:
        pytest.skip(f"not installed: {', '.join(missing)}")
    made = program()
    for case in cases(60, complete=True, seed=4):
        ours = {r.rule for r in made.judge(case).reasons.get(0, ())}
        for name, (typed, judge) in available.items():
            assert {*compress(NAMES, judge(typed(facts(case))))} == ours, name


def test_an_engine_that_is_not_there_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(module: str) -> None:
        raise ImportError(module)

    monkeypatch.setattr(engines.importlib, "import_module", absent)
    assert engines.available() == ({}, ["cel-python", "rule-engine", "zen-engine"])
