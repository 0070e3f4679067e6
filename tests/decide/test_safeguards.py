"""Every safeguard holds by itself, whatever the rules say, and by its own lasting name."""

import pytest
from verdict_scenes import IN_CONTROL, SPECIMEN, Rules, case, result

from verifier.decide.decide import decide
from verifier.decide.safeguards import MEANINGS, PREFIX
from verifier.facts.case import Case
from verifier.facts.subjects import Patient, Specimen

FAULTY = [
    (name, case(result("sodium", faults=("something",), fault_names=(name,))))
    for name in (
        "unit", "no-value", "unreadable-value", "several-values", "status-not-final",
        "status-change", "correction", "analyzer-flag", "specimen-type", "unknown-test", "times",
    )
]  # fmt: skip

OTHERS = [
    ("patient", case(result("sodium"), patient=None)),
    ("patient", case(result("sodium"), patient=Patient("", name="Doe"))),
    ("specimen", case(result("sodium"), specimen=Specimen("", "serum"))),
    ("specimen", case(result("sodium"), doubts=("two patients",))),
    ("control-specimen", case(result("sodium"), specimen=Specimen("S1", "serum", role="Q"))),
    ("quality-control", case(result("sodium"), quality={})),
    ("quality-control", case(result("sodium"), quality={"sodium": "out of control"})),
    ("quality-control", case(result("sodium"), quality={"sodium": "unknown"})),
    ("suspended", case(result("sodium"), suspended=("stopped by A",))),
    ("suspended", case(result("sodium"), suspended_tests={"sodium": "drift"})),
    ("suspended", case(result("sodium"), suspended_connections={"analyzer": "service"})),
]


@pytest.mark.parametrize(("name", "scene"), FAULTY + OTHERS)
def test_a_safeguard_holds_alone(name: str, scene: Case) -> None:
    (decided,) = decide(scene, Rules()).results
    assert decided.outcome == "hold"
    assert [reason.rule for reason in decided.reasons] == [PREFIX + name]
    assert all(reason.kind == "safeguard" and reason.text for reason in decided.reasons)


def test_without_any_of_them_a_result_leaves() -> None:
    (decided,) = decide(case(result("sodium")), Rules()).results
    assert (decided.outcome, decided.reasons) == ("release", ())


def test_a_result_no_rule_covers_is_held() -> None:
    (decided,) = decide(case(result("sodium")), Rules(uncovered=frozenset({0}))).results
    assert [reason.rule for reason in decided.reasons] == [PREFIX + "no-rule"]


def test_a_test_declared_uncontrolled_needs_no_control() -> None:
    (decided,) = decide(case(result("chloride"), quality={}), Rules()).results
    assert decided.outcome == "release"


def test_an_index_needs_no_control_and_no_rule_of_its_own() -> None:
    rules = Rules(uncovered=frozenset({0}))
    (decided,) = decide(case(result("hemolysis"), quality={}), rules).results
    assert decided.outcome == "release"
    (held,) = decide(case(result("hemolysis"), suspended=("stopped",)), rules).results
    assert held.outcome == "hold"


def test_a_suspension_touches_only_what_it_names() -> None:
    scene = case(
        result("sodium"),
        result("potassium"),
        suspended_tests={"potassium": "drift"},
        suspended_connections={"other": "service"},
    )
    sodium, potassium = decide(scene, Rules()).results
    assert (sodium.outcome, potassium.outcome) == ("release", "hold")


def test_the_names_are_the_ones_on_record() -> None:
    # Decisions are kept for years under these names: adding one is fine, renaming is not.
    assert {
        "unknown-test", "specimen-type", "unit", "no-value", "unreadable-value", "several-values",
        "status-not-final", "status-change", "correction", "analyzer-flag", "patient", "specimen",
        "control-specimen", "quality-control", "suspended", "no-rule", "inputs",
    } <= set(MEANINGS)  # fmt: skip
    assert PREFIX == "built-in:"


def test_the_specimen_of_these_tests_is_unremarkable() -> None:
    assert IN_CONTROL["sodium"] == "in control"
    assert SPECIMEN.role == "P"
