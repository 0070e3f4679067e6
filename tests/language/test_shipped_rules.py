"""Each shipped rule fires where it should, at its very edge, and says why."""

from datetime import timedelta
from decimal import Decimal

import pytest
from scenes import NOW, adult, case_of, judged, reasons, shipped

from verifier.facts.subjects import Patient
from verifier.facts.values import Absent, Between, Unreadable
from verifier.facts.verdicts import Kind

PANEL = {
    "sodium": "140", "potassium": "4.2", "chloride": "104", "bicarbonate": "25", "urea": "5.1",
    "creatinine": "80", "glucose": "5.2", "calcium": "2.35", "albumin": "42", "hemolysis": "0.1",
}  # fmt: skip
HOURS, DAYS = timedelta(hours=1), timedelta(days=1)


def test_an_ordinary_panel_gives_no_reason_and_every_result_is_covered() -> None:
    past = {"creatinine": [(30 * DAYS, "78")]}
    case, judgement = judged(shipped(), PANEL, earlier=past)
    assert judgement.reasons == {}
    assert judgement.covered == frozenset(range(len(case.results)))
    assert set(judgement.flags.values()) == {"N"}
    assert [d.test for d in judgement.derived if d.reasons] == []


# test, value just not critical, value just critical: Kost, JAMA 1990;263:704 (adult means)
CRITICAL = [
    ("sodium", "120", "119.9"), ("sodium", "158", "158.1"),
    ("potassium", "2.8", "2.79"), ("potassium", "6.2", "6.21"),
    ("chloride", "75", "74.9"), ("chloride", "126", "126.1"),
    ("bicarbonate", "11", "10.9"), ("bicarbonate", "40", "40.1"),
    ("urea", "37.1", "37.2"), ("creatinine", "654", "654.1"),
    ("glucose", "2.6", "2.59"), ("glucose", "26.9", "26.91"),
    ("calcium", "1.65", "1.649"), ("calcium", "3.22", "3.221"),
]  # fmt: skip


@pytest.mark.parametrize(("test", "fine", "critical"), CRITICAL)
def test_critical_at_the_edge(test: str, fine: str, critical: str) -> None:
    assert "critical hold" not in reasons(shipped(), {**PANEL, test: fine})[test]
    assert "critical hold" in reasons(shipped(), {**PANEL, test: critical})[test]


@pytest.mark.parametrize(
    ("value", "flag"),
    [("2.7", "LL"), ("3.4", "L"), ("3.5", "N"), ("5.2", "N"), ("5.3", "H"), ("6.3", "HH")],
)
def test_flags_of_potassium(value: str, flag: str) -> None:
    _, judgement = judged(shipped(), {"potassium": value, "hemolysis": "0"})
    assert judgement.flags[0] == flag
    assert judgement.references[0] == "3.5-5.2"


def test_critical_reason_names_value_limit_and_source() -> None:
    _, judgement = judged(shipped(), {"potassium": "6.5", "hemolysis": "0"})
    reason = next(r for r in judgement.reasons[0] if r.rule == "critical")
    assert reason.text == "Potassium 6.5 mmol/L is beyond the critical limit above 6.2 mmol/L"
    assert [(f.name, f.value) for f in reason.facts] == [
        ("Potassium", "6.5"),
        ("critical limit", "above 6.2 mmol/L"),
    ]
    assert "Kost, JAMA 1990;263:704" in reason.facts[1].source
    assert ("call", "critical") in {(r.what, r.rule) for r in judgement.requests}


# one value on either side of the edge of each rule: values, then the rule's reason on a test
FIRES: list[tuple[str, str, dict[str, str], dict[str, str], str]] = [
    # 1.0 g/L: 0.51 mmol/L (Mansour 2009) against a reference change value of 13.5 %; 10 g/L: Lippi,
    # EFLM WG-PRE 2018
    ("hemolysed-potassium", "potassium", {"hemolysis": "0.99"}, {"hemolysis": "1.0"}, "hold"),
    ("hemolysed-specimen", "glucose", {"hemolysis": "9.99"}, {"hemolysis": "10"}, "hold"),
    # bilirubin 255 umol/L: CCLM 2019
    ("icteric-creatinine", "creatinine", {"icterus": "255"}, {"icterus": "256"}, "hold"),
    ("lipemic-electrolytes", "sodium", {"lipemia": "1499"}, {"lipemia": "1500"}, "hold"),
    ("contaminated-by-edta", "albumin", {"potassium": "6.0", "calcium": "2.00"},
     {"potassium": "6.0", "calcium": "1.99"}, "hold"),
    ("contaminated-by-glucose-infusion", "urea", {"glucose": "20.0", "sodium": "129"},
     {"glucose": "20.1", "sodium": "129"}, "hold"),
    ("gap", "chloride", {"sodium": "149"}, {"sodium": "150"}, "hold"),  # 104 + 25: gap 20, 21
    ("gap", "chloride", {"sodium": "132"}, {"sodium": "131"}, "hold"),  # gap 3, 2
    # RCPath G158, 2017, from memory: adjusted calcium 1.8 or below, 3.5 or above
    ("adjusted-calcium", "calcium", {"calcium": "1.81", "albumin": "40"},
     {"calcium": "1.80", "albumin": "40"}, "hold"),
    ("outside-measurable", "potassium", {"potassium": "10.0"}, {"potassium": "10.1"}, "hold"),
    ("outside-autorelease", "glucose", {"glucose": "3.9"}, {"glucose": "3.8"}, "hold"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "test", "fine", "held", "kind"), FIRES)
def test_a_rule_fires_at_its_edge(
    rule: str, test: str, fine: dict[str, str], held: dict[str, str], kind: Kind
) -> None:
    assert f"{rule} {kind}" not in reasons(shipped(), {**PANEL, **fine})[test]
    assert f"{rule} {kind}" in reasons(shipped(), {**PANEL, **held})[test]


# change limits of sodium 5 % and potassium 20 % (Ladenson 1975, Whitehurst 1975, from memory)
@pytest.mark.parametrize(
    ("test", "before", "now", "held"),
    [
        ("sodium", "140", "147", False), ("sodium", "140", "148", True),
        ("potassium", "4.0", "4.8", False), ("potassium", "4.0", "4.81", True),
        ("potassium", "5.0", "4.0", False), ("potassium", "5.0", "3.99", True),
    ],
)  # fmt: skip
def test_changed(test: str, before: str, now: str, held: bool) -> None:
    found = reasons(shipped(), {**PANEL, test: now}, earlier={test: [(DAYS, before)]})
    assert ("changed hold" in found[test]) is held


def test_changed_needs_an_earlier_result_in_the_window() -> None:
    found = reasons(shipped(), PANEL, earlier={"sodium": [(3 * DAYS + HOURS, "100")]})
    assert found["sodium"] == set()


# KDIGO 2012 check values; 0.3 mg/dL is 26.52 umol/L, so a rise of 26 alone is not flagged. Without
# a result of 7 days the median of a year counts: NHS England algorithm of 2014, from memory.
@pytest.mark.parametrize(
    ("before", "ago", "now", "stage"),
    [
        ("80", 47 * HOURS, "106", 0),
        ("80", 47 * HOURS, "107", 1),
        ("80", 48 * HOURS, "107", 1),
        ("80", 49 * HOURS, "107", 0),
        ("80", 6 * DAYS, "119", 0),
        ("80", 6 * DAYS, "120", 1),  # ratio 1.50
        ("80", 6 * DAYS, "159", 1),
        ("80", 6 * DAYS, "160", 2),  # 2.00
        ("80", 6 * DAYS, "239", 2),
        ("80", 6 * DAYS, "240", 3),  # 3.00
        ("300", 47 * HOURS, "360", 3),  # ratio 1.2, but 60 within 48 hours, and above 353.6
        ("80", 8 * DAYS, "160", 2),
        ("80", 366 * DAYS, "160", 0),
    ],
)
def test_kidney_injury(before: str, ago: timedelta, now: str, stage: int) -> None:
    earlier = {"creatinine": [(ago, before)]}
    _, judgement = judged(shipped(), {"creatinine": now}, earlier=earlier)
    said = [text[-2:-1] for text in judgement.comments.get(0, ()) if "KDIGO stage" in text]
    assert said == ([str(stage)] if stage else [])
    held = {reason.rule for reason in judgement.reasons.get(0, ())}
    staged = {name for name in held if name.startswith("kidney")} - {"kidney-injury-lasting"}
    assert staged == ({f"kidney-injury-{stage}"} if stage > 1 else set())
    lasts = Decimal("1.5") <= Decimal(now) / Decimal(before) < 2 and ago <= 90 * DAYS
    assert ("kidney-injury-lasting" in held) is lasts


def test_gap_waits_for_what_is_missing_and_not_for_ever() -> None:
    values = {"sodium": "140", "chloride": "104"}
    case, judgement = judged(shipped(), values, opened=NOW - timedelta(minutes=19))
    waits = [r for r in judgement.reasons[0] if r.kind == "wait"]
    assert [r.until for r in waits] == [case.opened + timedelta(minutes=20)]
    assert "bicarbonate" in waits[0].text
    late = reasons(shipped(), values, opened=NOW - timedelta(minutes=20))
    assert late == {"sodium": set(), "chloride": set()}


def test_potassium_without_a_hemolysis_index_is_held_as_unknown() -> None:
    assert reasons(shipped(), {"potassium": "4.2"})["potassium"] == {"hemolysed-potassium unknown"}


@pytest.mark.parametrize("value", [Unreadable("5,1", "decimal comma"), Absent("empty")])
def test_what_can_not_be_read_is_unknown_to_every_limit(value: Unreadable | Absent) -> None:
    found = reasons(shipped(), {**PANEL, "glucose": value})["glucose"]
    assert {"critical unknown", "outside-measurable unknown"} <= found


def test_an_unknown_patient_is_held_where_limits_depend_on_age() -> None:
    found = reasons(shipped(), PANEL, patient=Patient("LAB|MR|1", sex="F"))
    assert "critical unknown" in found["sodium"]
    nobody = reasons(shipped(), PANEL, patient=Patient(""))
    assert "critical unknown" in nobody["sodium"]


@pytest.mark.parametrize(("sex", "computed"), [("F", True), ("M", True), ("O", False), ("", False)])
def test_egfr_is_for_women_and_men_only(sex: str, computed: bool) -> None:
    _, judgement = judged(shipped(), PANEL, patient=adult(sex, 50))
    assert ("egfr" in {item.test for item in judgement.derived}) == computed


def test_children_have_their_own_critical_limits() -> None:
    # Kost, Pediatrics 1991;88:597: sodium below 121, above 156
    child = adult("M", 10)
    assert "critical hold" in reasons(shipped(), {"sodium": "157"}, patient=child)["sodium"]
    assert "critical hold" not in reasons(shipped(), {"sodium": "157"})["sodium"]


def test_a_censored_result_is_settled_where_its_range_settles_it() -> None:
    above = Between(Decimal("1000"), None)
    assert "critical hold" in reasons(shipped(), {"creatinine": above})["creatinine"]
    below = Between(None, Decimal("50"))
    assert "outside-autorelease unknown" in reasons(shipped(), {"creatinine": below})["creatinine"]


def test_derived_results_are_judged_themselves() -> None:
    _, judgement = judged(shipped(), {"calcium": "1.70", "albumin": "48"})
    adjusted = next(d for d in judgement.derived if d.test == "calcium_adjusted")
    assert adjusted.text == "1.54"
    assert {f"{r.rule} {r.kind}" for r in adjusted.reasons} == {"critical hold"}
    assert adjusted.flag == "LL"
    assert adjusted.inputs == ("albumin", "calcium")


def test_every_shipped_rule_has_a_source_and_a_scenario_it_fires_in_and_one_it_does_not() -> None:
    expected = [e for item in shipped().scenarios for step in item.steps for e in step.expected]
    names = {rule.name for rule in shipped().rules}
    assert len(names) >= 70
    assert {e.rule for e in expected if e.rule and e.what != "not fired"} == names
    assert {e.rule for e in expected if e.what == "not fired"} == names
    assert all(rule.source for rule in shipped().rules)


def test_judging_twice_gives_the_same() -> None:
    case = case_of(shipped(), {**PANEL, "potassium": "6.5", "calcium": "1.9"})
    assert shipped().judge(case) == shipped().judge(case)
