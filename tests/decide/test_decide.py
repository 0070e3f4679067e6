"""Laws of the decision: reasons only add up, order does not matter, the answer never varies."""

from datetime import timedelta
from decimal import Decimal

import msgspec
from hypothesis import given
from hypothesis import strategies as st
from verdict_scenes import NOW, Rules, case, result

from verifier.decide.decide import decide, outcome_of
from verifier.decide.explain import sentences
from verifier.decide.present import specimen_json
from verifier.facts.values import Between, Number
from verifier.facts.verdicts import Decision, Derived, Fact, Reason

HOLD = Reason("critical", "hold", "sodium is beyond the critical limit", (Fact("sodium", "170"),))
UNKNOWN = Reason("changed", "unknown", "no earlier sodium")
SUPPRESS = Reason("hide", "suppress", "not to be reported")
LATER, SOONER = NOW + timedelta(minutes=20), NOW + timedelta(minutes=10)
WAIT = Reason("gap", "wait", "chloride is still to come", until=LATER)
WAIT_SHORT = Reason("other", "wait", "bicarbonate is still to come", until=SOONER)

reasons = st.lists(st.sampled_from([HOLD, UNKNOWN, SUPPRESS, WAIT, WAIT_SHORT]), max_size=5)


def gap(*inputs: str, held: tuple[Reason, ...] = ()) -> Derived:
    value = Number(Decimal(12))
    return Derived("gap", "Gap", "33037-3", "LN", value, "12", "mmol/L", inputs, held)


def test_precedence() -> None:
    assert outcome_of([]) == "release"
    assert outcome_of([WAIT]) == "wait"
    for worse in (HOLD, UNKNOWN, SUPPRESS):
        assert outcome_of([worse]) == "hold"
        assert outcome_of([WAIT, worse]) == outcome_of([worse, WAIT]) == "hold"


@given(reasons, st.sampled_from([HOLD, UNKNOWN, SUPPRESS, WAIT]))
def test_a_further_reason_never_releases(present: list[Reason], added: Reason) -> None:
    rank = ["release", "wait", "hold"].index
    before = decide(case(result("sodium")), Rules({0: tuple(present)})).results[0]
    after = decide(case(result("sodium")), Rules({0: (*present, added)})).results[0]
    assert rank(after.outcome) >= rank(before.outcome)
    assert set(before.reasons) <= set(after.reasons)
    assert after.outcome != "release"


@given(reasons, st.randoms(use_true_random=False))
def test_the_order_of_reasons_does_not_show(present: list[Reason], random: st.DrawFn) -> None:
    shuffled = list(present)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    scene = case(result("sodium"), result("potassium"))
    one = decide(scene, Rules({0: tuple(present)}))
    other = decide(scene, Rules({0: tuple(shuffled)}))
    assert msgspec.json.encode(one) == msgspec.json.encode(other)
    assert sentences(one) == sentences(other)


@given(reasons, reasons)
def test_one_result_does_not_touch_another(one: list[Reason], other: list[Reason]) -> None:
    scene = case(result("sodium"), result("potassium"))
    both = decide(scene, Rules({0: tuple(one), 1: tuple(other)})).results
    alone = decide(scene, Rules({0: tuple(one)})).results
    assert both[0] == alone[0]


def test_only_open_results_are_decided() -> None:
    scene = case(result("sodium", state="released"), result("potassium"))
    (decided,) = decide(scene, Rules()).results
    assert decided.entry == 1


def test_the_first_end_of_a_wait_counts() -> None:
    scene = case(result("sodium"), result("potassium"))
    rules = Rules({0: (WAIT, WAIT_SHORT)})
    decision = decide(scene, rules)
    assert [r.outcome for r in decision.results] == ["wait", "release"]
    assert decision.wait_until == SOONER
    held = decide(scene, Rules({0: (WAIT, HOLD)}))
    assert held.wait_until is None


def test_a_derived_result_leaves_after_its_inputs() -> None:
    scene = case(result("sodium", state="released"), result("chloride"))
    decision = decide(scene, Rules(derived=(gap("sodium", "chloride"),)))
    assert decision.derived[0].outcome == "release"
    assert decision.derived[0].entry == -1


def test_a_derived_result_is_held_with_its_inputs() -> None:
    scene = case(result("sodium"), result("chloride"))
    derived = (gap("sodium", "chloride"),)
    held = decide(scene, Rules({0: (HOLD,), 1: (WAIT,)}, derived=derived)).derived[0]
    assert held.outcome == "hold"
    assert "derived from sodium" in held.reasons[0].text
    waiting = decide(scene, Rules({1: (WAIT,)}, derived=derived)).derived[0]
    assert waiting.outcome == "wait"
    absent = decide(scene, Rules(derived=(gap("sodium", "bicarbonate"),))).derived[0]
    assert absent.outcome == "hold"


def test_a_derived_result_has_reasons_of_its_own() -> None:
    scene = case(result("sodium"))
    decision = decide(scene, Rules(derived=(gap("sodium", held=(HOLD,)),)))
    assert [r.rule for r in decision.derived[0].reasons] == ["built-in:inputs", "critical"]
    stopped = case(result("sodium"), suspended_tests={"gap": "under review"})
    assert decide(stopped, Rules(derived=(gap("sodium"),))).derived[0].outcome == "hold"


def test_what_holds_a_derived_result_holds_what_it_is_made_of() -> None:
    scene = case(result("sodium"), result("potassium"))
    second = msgspec.structs.replace(gap("gap", held=(HOLD,)), test="corrected")
    decision = decide(scene, Rules(derived=(second, gap("sodium"))))
    assert [r.outcome for r in decision.results] == ["hold", "release"]
    assert [r.rule for r in decision.results[0].reasons] == ["critical"]


def test_what_could_not_be_judged_of_a_derived_result_holds_nothing_else() -> None:
    unknown = Reason("critical", "unknown", "no limit for this patient")
    decision = decide(case(result("sodium")), Rules(derived=(gap("sodium", held=(unknown,)),)))
    assert [r.outcome for r in (*decision.results, *decision.derived)] == ["release", "hold"]


def test_a_derived_result_may_rest_on_another() -> None:
    second = msgspec.structs.replace(gap("gap"), test="corrected")
    rules = Rules({0: (HOLD,)}, derived=(second, gap("sodium")))
    decision = decide(case(result("sodium")), rules)
    assert [d.test for d in decision.derived] == ["corrected", "gap"]
    assert [d.outcome for d in decision.derived] == ["hold", "hold"]


def test_values_are_shown_as_sent_or_rounded_after_conversion() -> None:
    scene = case(
        result("potassium", "4.123"),
        result("sodium", "1", value=Number(Decimal("140.49")), sent_text="3230", sent_unit="mg/L"),
        result(
            "potassium", "1", value=Between(None, Decimal("1.02"), False, False), sent_text="<4"
        ),
    )
    shown = [item.value for item in decide(scene, Rules()).results]
    assert shown == ["4.123", "140", "<1.0"]


def test_a_decision_can_be_stored_and_read() -> None:
    scene = case(result("sodium"), result("potassium"))
    decision = decide(scene, Rules({0: (HOLD, WAIT)}, derived=(gap("sodium"),)))
    stored = msgspec.json.encode(decision)
    assert msgspec.json.decode(stored, type=Decision) == decision


def test_sentences() -> None:
    scene = case(result("sodium", "170"), result("potassium"))
    lines = sentences(decide(scene, Rules({0: (HOLD,)})))
    assert lines[0] == "Sodium 170 mmol/L is held:"
    assert "Sodium is beyond the critical limit (critical)." in lines[1]
    assert "Potassium 4.1 mmol/L may leave." in lines
    assert lines[-1].startswith("Decided 2026-03-02T09:00:00+00:00 by rule set 000")


def test_the_fixed_form() -> None:
    scene = case(result("sodium", "170"))
    decision = decide(scene, Rules({0: (HOLD,)}))
    assert specimen_json(scene, decision) == {
        "specimen": "S1",
        "patient": "HOSP^MR^1",
        "results": [
            {
                "test": "sodium",
                "code": "sodium",
                "value": "170",
                "unit": "mmol/L",
                "decision": "hold",
                "flag": "",
                "reasons": [{"rule": "critical", "kind": "hold", "text": HOLD.text}],
                "comments": [],
            }
        ],
    }
