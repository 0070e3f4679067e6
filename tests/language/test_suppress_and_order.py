"""What rules do besides holding: replace the value by words, order a further test, call."""

from scenes import HEAD, case_of, judged, program, reasons

from verifier.decide.decide import decide
from verifier.decide.explain import sentences
from verifier.facts.values import Unreadable
from verifier.language import check

SUPPRESSING = """
rule lysed for potassium
  from "Lippi, EFLM WG-PRE 2018"
  hold when hemolysis >= 5 g/L
  when unknown hold
  because "hemolysis index {hemolysis}"
  suppress as "hemolyzed, index {hemolysis}: not reported"
"""


def test_a_suppressed_value_is_held_and_replaced_by_words_and_kept() -> None:
    made = program(HEAD + SUPPRESSING)
    case, judgement = judged(made, {"potassium": "7.1", "hemolysis": "6", "calcium": "2.2"})
    assert reasons(made, {"potassium": "7.1", "hemolysis": "6"})["potassium"] == {
        "lysed hold", "lysed suppress",
    }  # fmt: skip
    assert judgement.instead == {0: "hemolyzed, index 6 g/L: not reported"}
    decided = {item.test: item for item in decide(case, made).results}
    assert decided["potassium"].outcome == "hold"
    assert decided["potassium"].instead == "hemolyzed, index 6 g/L: not reported"
    assert decided["potassium"].value == "7.1"  # the record keeps it
    assert decided["calcium"].instead == ""
    told = "\n".join(sentences(decide(case, made)))
    assert "the value is replaced by “hemolyzed, index 6 g/L: not reported”" in told
    assert "Lippi, EFLM WG-PRE 2018" in told


def test_nothing_is_suppressed_on_doubt() -> None:
    _, judgement = judged(program(HEAD + SUPPRESSING), {"potassium": "7.1"})
    assert judgement.instead == {}
    assert [reason.kind for reason in judgement.reasons[0]] == ["unknown"]
    _, judgement = judged(program(HEAD + SUPPRESSING), {"potassium": "7.1", "hemolysis": "4.9"})
    assert judgement.instead == {}
    assert judgement.reasons == {}


def test_suppress_without_hold_still_holds() -> None:
    made = program(HEAD + SUPPRESSING.replace("hold when", "when"))
    case, judgement = judged(made, {"potassium": "7.1", "hemolysis": "6"})
    assert [reason.kind for reason in judgement.reasons[0]] == ["suppress"]
    assert decide(case, made).results[0].outcome == "hold"


def test_suppress_has_the_scope_of_its_rule() -> None:
    for scope, suppressed in (("specimen", {0, 1, 2}), ("potassium, calcium", {0, 2})):
        text = SUPPRESSING.replace("for potassium", "").replace("hold when", f"hold {scope} when")
        values = {"potassium": "7.1", "hemolysis": "6", "calcium": "2.2"}
        _, judgement = judged(program(HEAD + text), values)
        assert set(judgement.instead) == suppressed


def test_a_suppressed_derived_result_is_held_and_holds_what_it_is_made_of() -> None:
    made = program(
        HEAD
        + 'derive twice "Twice"\n  unit mmol/L\n  formula 2 * potassium\n'
        + '  report as LOINC 2823-3\n  from "s"\n'
        + SUPPRESSING.replace("for potassium", "for twice").replace("hold when", "when")
        + 'rule any for potassium\n  from "s"\n  hold when result < 0 mmol/L\n  because "x"\n'
    )
    decision = decide(case_of(made, {"potassium": "7.1", "hemolysis": "6"}), made)
    (derived,) = decision.derived
    assert derived.instead == "hemolyzed, index 6 g/L: not reported"
    assert derived.outcome == "hold"
    assert any(reason.kind == "suppress" for reason in decision.results[0].reasons)


def test_nothing_is_worked_out_from_a_suppressed_value() -> None:
    made = program(
        HEAD
        + 'derive twice "Twice"\n  unit mmol/L\n  formula 2 * potassium\n'
        + '  report as LOINC 2823-3\n  from "s"\n'
        + SUPPRESSING
    )
    for hemolysis, derived in (("6", 0), ("4", 1)):
        _, judgement = judged(made, {"potassium": "7.1", "hemolysis": hemolysis})
        assert len(judgement.derived) == derived


def test_only_one_text_can_stand_in_place_of_the_value() -> None:
    text = HEAD + SUPPRESSING + '  suppress as "again"\n'
    found = [d for d in check({"a.rules": text}).diagnostics if d.severity == "error"]
    assert [d.code for d in found] == ["R105"]


# --- the patient as a whole ---


def test_a_reason_can_concern_the_whole_patient() -> None:
    text = (
        'rule mixed-up\n  from "s"\n  hold patient when potassium > 9 mmol/L\n'
        '  when unknown hold\n  because "this may be somebody else\'s blood"\n'
    )
    made = program(HEAD + text + text.replace("mixed-up", "odd").replace("patient", "specimen"))
    for value, kind in (("9.5", "hold"), (Unreadable("9,5", "a comma"), "unknown")):
        case, judgement = judged(made, {"potassium": value, "calcium": "2.2"})
        for position in (0, 1):
            found = judgement.reasons[position]
            assert [(r.rule, r.kind, r.of_patient) for r in found] == [
                ("mixed-up", kind, True), ("odd", kind, False),
            ]  # fmt: skip
        told = [line for line in sentences(decide(case, made)) if "every open specimen" in line]
        assert len(told) == 2
        assert all("(mixed-up; source: s)" in line for line in told)


# --- order and call ---

ORDERING = """
group further  hemolysis, calcium
rule low for potassium
  from "s"
  when result < 2.5 mmol/L
  because "{test} {result}"
  order further
  call clinician within 30 minutes
"""


def test_a_reflex_test_is_ordered_when_it_is_not_there_already() -> None:
    made = program(HEAD + ORDERING)
    case, judgement = judged(made, {"potassium": "2.4", "hemolysis": "0"})
    assert [(r.what, r.detail, r.tests) for r in judgement.requests] == [
        ("call", "clinician within 30 minutes", ("potassium",)),
        ("order", "calcium", ("potassium",)),
    ]
    assert judgement.reasons == {}
    told = sentences(decide(case, made))
    assert "Rule low orders calcium because of potassium." in told
    assert "Rule low asks for call for potassium (clinician within 30 minutes)." in told
    assert judged(made, {"potassium": "2.5"})[1].requests == ()


def test_an_order_names_a_test() -> None:
    text = HEAD + ORDERING.replace("order further", "order magnesium")
    found = [d for d in check({"a.rules": text}).diagnostics if d.severity == "error"]
    assert [d.code for d in found] == ["R201"]
