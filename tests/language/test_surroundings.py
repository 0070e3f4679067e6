"""The age of the specimen, what the analyzer measured just before, and the control state."""

from datetime import datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from scenes import HEAD, MINUTE, NOW, TAKEN, case_of, judged, program, reasons

from verifier.assurance.running import run_scenario
from verifier.decide.decide import decide
from verifier.facts.case import Case, Control
from verifier.facts.subjects import Moment
from verifier.facts.values import Between, Unreadable, Value, Words
from verifier.facts.verdicts import Reason
from verifier.language import Diagnostic, Program, check
from verifier.language.specimenage import span_text
from verifier.store.codec import pack, read_case

HOUR = timedelta(hours=1)
MORE = (
    'test sodium "Sodium"\n  unit mmol/L\n  uncontrolled\ntest chloride "Chloride"\n  unit mmol/L\n'
)


def rules(
    condition: str, test: str = "potassium", unknown: str = "hold", because: str = "x"
) -> Program:
    scope = "hold when" if test else "hold specimen when"
    header = f"for {test}" if test else ""
    return program(
        f'{HEAD}{MORE}rule r {header}\n  from "s"\n  {scope} {condition}\n'
        f'  when unknown {unknown}\n  because "{because}"\n'
    )


def said(made: Program, **more: object) -> str:
    """Return what the rule says of a potassium of 5.0 mmol/L."""
    found = reasons(made, {"potassium": "5.0"}, **more)["potassium"]
    return " ".join(sorted(text.removeprefix("r ") for text in found))


def only_reason(made: Program, **more: object) -> Reason:
    (reason,) = judged(made, {"potassium": "5.0"}, **more)[1].reasons[0]
    return reason


# --- specimen age ---


@pytest.mark.parametrize(
    ("condition", "age", "expected"),
    [
        ("specimen age > 8 hours", timedelta(hours=8), ""),
        ("specimen age > 8 hours", timedelta(hours=8, microseconds=1), "hold"),
        ("specimen age >= 8 hours", timedelta(hours=8), "hold"),
        ("specimen age >= 8 hours", timedelta(hours=8) - timedelta(seconds=1), ""),
        ("8 hours < specimen age", timedelta(hours=8, seconds=1), "hold"),
        ("specimen age >= 480 minutes", timedelta(hours=8), "hold"),
        ("specimen age < 1 week", timedelta(days=7), ""),
        ("specimen age <= 1 week", timedelta(days=7), "hold"),
        ("specimen age = 90 minutes", timedelta(minutes=90), "hold"),
        ("specimen age = 1.5 hours", timedelta(minutes=90), "hold"),
        ("specimen age is between 2 and 8 hours", timedelta(hours=2), "hold"),
        ("specimen age is between 30 minutes and 8 hours", timedelta(hours=8), "hold"),
        ("specimen age is between 2 hours and 8 hours", timedelta(hours=9), ""),
        ("not specimen age <= 8 hours", timedelta(hours=9), "hold"),
        ("specimen age >= specimen age", timedelta(hours=9), "hold"),
        ("specimen age > 8 hours", timedelta(0), ""),
        ("specimen age is known", timedelta(0), "hold"),
    ],
)  # fmt: skip
def test_a_specimen_age_is_compared_exactly(condition: str, age: timedelta, expected: str) -> None:
    assert said(rules(condition), measured=TAKEN + age) == expected


@given(st.timedeltas(timedelta(0), timedelta(days=40)), st.integers(1, 900))
def test_it_is_the_difference_of_the_two_times(age: timedelta, hours: int) -> None:
    made = rules(f"specimen age > {hours} hours")
    assert said(made, measured=TAKEN + age) == ("hold" if age > hours * HOUR else "")


@pytest.mark.parametrize(
    ("collected", "measured", "why"),
    [
        (None, NOW, "the collection time is missing"),
        (TAKEN, None, "the time of analysis is not known"),
        (TAKEN, TAKEN - MINUTE, "the specimen was collected after it was analyzed"),
    ],
)
def test_without_both_times_it_is_unknown(
    collected: datetime | None, measured: datetime | None, why: str
) -> None:
    made = rules("specimen age > 8 hours")
    reason = only_reason(made, collected=collected, measured=measured)
    assert (reason.kind, reason.text) == ("unknown", f"can not be judged: {why}")
    known = rules("specimen age is not known")
    assert said(known, collected=collected, measured=measured) == "hold"


def test_a_collection_time_of_a_day_is_no_time() -> None:
    made = rules("specimen age > 8 hours")
    case = case_of(made, {"potassium": "5.0"})
    rough = replace(
        case, specimen=replace(case.specimen, collected=Moment(TAKEN, "day", "20260301"))
    )
    (reason,) = made.judge(rough).reasons[0]
    assert reason.text == "can not be judged: the collection time is not known to the minute"


def test_it_does_not_grow_when_the_case_is_judged_later() -> None:
    made = rules("specimen age > 8 hours")
    first = case_of(made, {"potassium": "5.0"}, measured=TAKEN + 7 * HOUR)
    later = replace(first, now=NOW + timedelta(days=3))
    assert made.judge(first) == made.judge(later)


def two_measured(made: Program, sodium: timedelta, potassium: timedelta) -> Case:
    case = case_of(made, {"sodium": "140", "potassium": "5.0"})
    ages = (sodium, potassium)
    results = tuple(
        replace(result, measured=TAKEN + age)
        for result, age in zip(case.results, ages, strict=True)
    )
    return replace(case, results=results)


def test_each_result_has_its_own_age_and_the_specimen_that_of_the_first() -> None:
    own = rules("specimen age > 8 hours", "sodium, potassium")
    assert {*own.judge(two_measured(own, 7 * HOUR, 9 * HOUR)).reasons} == {1}
    whole = rules("specimen age > 8 hours", "")
    assert whole.judge(two_measured(whole, 7 * HOUR, 9 * HOUR)).reasons == {}
    assert {*whole.judge(two_measured(whole, 9 * HOUR, 10 * HOUR)).reasons} == {0, 1}


def test_a_formula_sees_the_age_of_the_specimen_whichever_result_is_in_hand() -> None:
    made = program(
        f"{HEAD}{MORE}derive fresh\n  unit mmol/L\n"
        "  formula if specimen age > 8 hours then sodium + 0 mmol/L else sodium\n"
        '  from "s"\nderive old\n  formula if specimen age > 8 hours then 1 else 0\n  from "s"\n'
        'rule r for sodium, potassium\n  from "s"\n  hold when old = 1\n'
        '  when unknown hold\n  because "x"\n'
    )
    assert made.judge(two_measured(made, 7 * HOUR, 9 * HOUR)).reasons == {}
    assert {*made.judge(two_measured(made, 9 * HOUR, 10 * HOUR)).reasons} == {0, 1}


def test_the_reason_shows_the_age_and_the_times() -> None:
    made = rules("specimen age > 8 hours", because="{test} measured after {specimen age}")
    reason = only_reason(made, measured=TAKEN + 9 * HOUR + 20 * MINUTE)
    assert reason.text == "Potassium measured after 9 hours 20 minutes"
    (fact,) = reason.facts
    assert (fact.name, fact.value, fact.at) == (
        "specimen age", "9 hours 20 minutes", TAKEN + 9 * HOUR + 20 * MINUTE,
    )  # fmt: skip
    assert fact.source == f"collected {TAKEN.isoformat()}"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        ("0", "0 seconds"), ("1", "1 second"), ("28800.5", "8 hours"),
        ("28830", "8 hours 30 seconds"), ("93600", "1 day 2 hours"), ("172860", "2 days 1 minute"),
    ],
)  # fmt: skip
def test_a_time_span_in_words(seconds: str, words: str) -> None:
    assert span_text(Decimal(seconds)) == words


# --- what the analyzer measured just before ---


@pytest.mark.parametrize(
    ("condition", "before", "expected"),
    [
        ("preceding(potassium) = potassium", "5.0", "hold"),
        ("preceding(result) = result", "5.00", "hold"),
        ("preceding(potassium) = potassium", "5.01", ""),
        ("preceding(potassium) > 10 * result", "50.1", "hold"),
        ("preceding(potassium) is between 4 and 6 mmol/L", "4", "hold"),
        ("preceding(potassium) > 100 mmol/L", Between(Decimal(100), None), "hold"),
        ("preceding(potassium) > 200 mmol/L", Between(Decimal(100), None), "unknown"),
        ("preceding(potassium) > 1 mmol/L", Unreadable("?", "odd"), "unknown"),
        ("preceding(potassium) > 1 mmol/L", Words("clotted"), "unknown"),
        ("preceding(potassium) is known", "5", "hold"),
        ("round(preceding(potassium), 0) = 5 mmol/L", "5.4", "hold"),
    ],
)  # fmt: skip
def test_a_preceding_value_is_compared(condition: str, before: str | Value, expected: str) -> None:
    assert said(rules(condition), preceding={"potassium": before}) == expected


def test_without_a_preceding_specimen_it_is_unknown() -> None:
    reason = only_reason(rules("preceding(potassium) > 1 mmol/L"))
    assert reason.text == (
        "can not be judged: no Potassium of another patient is known from this analyzer "
        "in the 24 hours before"
    )
    assert said(rules("preceding(potassium) is known")) == ""
    assert said(rules("preceding(potassium) > 1 mmol/L", unknown="ignore")) == ""


def test_two_equal_neighbors_are_suspicious() -> None:
    # Two specimens in a row with the same values: one was measured twice.
    made = rules("preceding(potassium) = potassium and preceding(chloride) = chloride", "")
    values = {"potassium": "5.0", "chloride": "104"}
    both = case_of(made, values, preceding=values)
    assert {*made.judge(both).reasons} == {0, 1}
    other = case_of(made, values, preceding={**values, "chloride": "103"})
    assert made.judge(other).reasons == {}
    assert made.needs_preceding == {"potassium", "chloride"}


def test_only_the_tests_asked_of_are_needed() -> None:
    assert rules("result > 5 mmol/L").needs_preceding == frozenset()
    assert rules("preceding(result) > 5 mmol/L").needs_preceding == {"potassium"}
    every = program(
        f'{HEAD}rule r for every test\n  from "s"\n  hold when preceding(result) = result\n'
        '  when unknown ignore\n  because "x"\n'
    )
    assert every.needs_preceding == {"potassium", "calcium", "hemolysis"}


def test_the_reason_shows_what_came_before() -> None:
    made = rules(
        "preceding(potassium) = potassium", because="{test} {result} as before {preceding}"
    )
    reason = only_reason(made, preceding={"potassium": "5.0"})
    assert reason.text == "Potassium 5.0 mmol/L as before 5.0 mmol/L"
    (fact,) = (fact for fact in reason.facts if fact.name == "preceding Potassium")
    assert (fact.value, fact.unit, fact.at) == ("5.0", "mmol/L", NOW - MINUTE)
    assert fact.source == "specimen S0 on AN1"


# --- the control state ---


@pytest.mark.parametrize(
    ("condition", "expected"),  # in control, out of control, unknown
    [
        ("result is in control", ("hold", "", "unknown")),
        ("potassium is out of control", ("", "hold", "unknown")),
        ("potassium is not in control", ("", "hold", "unknown")),
        ("potassium is not out of control", ("hold", "", "unknown")),
        ("not (potassium is in control)", ("", "hold", "unknown")),
        ("potassium is out of control and result > 9 mmol/L", ("", "", "")),
        ("potassium is out of control or result > 1 mmol/L", ("hold", "hold", "hold")),
    ],
)  # fmt: skip
def test_a_control_state_is_read(condition: str, expected: tuple[str, ...]) -> None:
    made, states = rules(condition), ("in control", "out of control", "unknown")
    found = []
    for state in states:
        quality: dict[str, Control] = {"potassium": state}  # type: ignore[dict-item]
        found.append(said(made, quality=quality))
    assert tuple(found) == expected
    assert said(made) == expected[2]  # nothing is recorded: unknown


def test_an_unknown_control_state_says_so_and_a_known_one_is_shown() -> None:
    reason = only_reason(rules("potassium is out of control"))
    assert reason.text == "can not be judged: the control state of Potassium is not known"
    reason = only_reason(
        rules("potassium is out of control"), quality={"potassium": "out of control"}
    )
    assert [(fact.name, fact.value) for fact in reason.facts] == [
        ("control of Potassium", "out of control")
    ]


def test_what_needs_no_control_counts_as_in_control() -> None:
    made = rules("result is not in control", "sodium, potassium", unknown="hold")
    case = case_of(made, {"sodium": "140", "potassium": "5.0"})
    assert {*made.judge(case).reasons} == {1}  # sodium is uncontrolled
    assert {*rules("result is in control", "sodium").judge(case).reasons} == {0}


def test_naming_a_test_without_control_is_a_warning() -> None:
    (found,) = (d for d in found_in("sodium is out of control") if d.code == "R305")
    assert found.severity == "warning"
    assert found.message == "sodium is uncontrolled: it has no control state"


# --- mistakes ---


def found_in(condition: str) -> tuple[Diagnostic, ...]:
    """Return everything found in a rule for potassium with this condition."""
    return check(
        {
            "a": f'{HEAD}{MORE}rule r for potassium\n  from "s"\n  hold when {condition}\n'
            '  when unknown hold\n  because "x"\n'
        }
    ).diagnostics


@pytest.mark.parametrize(
    ("condition", "code", "message"),
    [
        ("specimen age > 8", "R204", "8 has no unit"),
        ("specimen age is between 2 hours and 8", "R204", "8 has no unit"),
        ("specimen age > 8 mmol/L", "R203", "8 mmol/L is not a time span"),
        ("specimen age > 2 months", "R203", "2 months is not a time span"),
        ("specimen age > potassium", "R203", "potassium is not a time span"),
        ("specimen age > adult", "R203", "adult is not a time span"),
        ("specimen age", "R205", "this is a time, not a condition"),
        ("specimen age / 2 > 4 hours", "R205", "this is a time, not a number"),
        ("preceding(potassium) > 5", "R204", "5 has no unit"),
        ("preceding(potasium) > 5 mmol/L", "R201",
         "there is no test, derived result or population 'potasium'"),
        ("preceding(adult) > 5 mmol/L", "R209", "an analyzer measures tests, nothing else"),
        ("preceding(potassium + calcium) > 5 mmol/L", "R209", "preceding asks for a test"),
        ("adult is in control", "R205", "a control state belongs to a test or `result`"),
        ("(potassium + calcium) is in control", "R205",
         "a control state belongs to a test or `result`"),
    ],
)  # fmt: skip
def test_a_mistake_is_explained(condition: str, code: str, message: str) -> None:
    errors = [d for d in found_in(condition) if d.severity == "error"]
    assert [(d.code, d.message) for d in errors] == [(code, message)]


@pytest.mark.parametrize(
    "condition",
    ["specimen age > 8 hours", "preceding(potassium) > 5 mmol/L", "potassium is in control"],
)
def test_a_population_does_not_look_around(condition: str) -> None:
    found = check({"a": f"{HEAD}population odd  {condition}\n"}).diagnostics
    (error,) = (d for d in found if d.severity == "error" and d.code != "R500")
    assert (error.code, error.message) == (
        "R205", "a population speaks of the patient and specimen only",
    )  # fmt: skip


@pytest.mark.parametrize(
    "condition", ["specimen age > 8 hours", "preceding(result) > 5 mmol/L", "result is in control"]
)
def test_what_may_be_missing_needs_a_choice(condition: str) -> None:
    text = f'{HEAD}rule r for potassium\n  from "s"\n  hold when {condition}\n  because "x"\n'
    assert "R401" in {d.code for d in check({"a": text}).diagnostics}


def test_ages_that_contradict_are_told() -> None:
    never = found_in("specimen age > 8 hours and specimen age < 2 hours")
    assert "R406" in {d.code for d in never}
    assert "R406" not in {d.code for d in found_in("specimen age is between 2 and 8 hours")}


# --- in scenarios ---

RULES = f"""{HEAD}{MORE}
rule old for potassium
  from "s"
  hold when specimen age > 8 hours
  when unknown hold
  because "x"

rule neighbor for potassium
  from "s"
  hold when preceding(potassium) > 10 * potassium
  when unknown ignore
  because "x"

rule drifted for potassium
  from "s"
  hold when chloride is out of control
  when unknown ignore
  because "x"
"""
COMES_TRUE = [
    "given potassium 5 mmol/L\n  expect potassium released",
    "given potassium 5 mmol/L, specimen age 8 hours\n  expect potassium released",
    "given potassium 5 mmol/L, specimen age 9 hours\n  expect potassium held by old",
    "given potassium 5 mmol/L, specimen age 1 hour\n  expect potassium released\n"
    "  after 8 hours potassium 5 mmol/L\n  expect potassium held by old",
    "given potassium 5 mmol/L, preceding potassium 51 mmol/L\n  expect potassium held by neighbor",
    "given potassium 5 mmol/L, preceding potassium > 60 mmol/L\n  expect neighbor fired",
    "given potassium 5 mmol/L, preceding potassium 50 mmol/L\n  expect neighbor not fired",
    "given potassium 5 mmol/L, chloride out of control\n  expect potassium held by drifted",
    "given potassium missing\n  expect potassium held",
    'given potassium unreadable "hemolyzed"\n  expect potassium held',
    "given potassium missing\n  expect old not fired\n  after 1 hour potassium 5 mmol/L\n"
    "  expect potassium released",
]  # fmt: skip


@pytest.mark.parametrize("text", COMES_TRUE)
def test_a_scenario_comes_true(text: str) -> None:
    made = program(f'{RULES}\nscenario "s"\n  {text}\n')
    assert run_scenario(made, made.scenarios[0]).passed


def test_missing_and_unreadable_are_held_as_from_a_message() -> None:
    made = program(
        f'{RULES}\nscenario "s"\n  given potassium missing\n  expect potassium released\n'
    )
    ran = run_scenario(made, made.scenarios[0])
    assert len([answer for answer in ran.answers if not answer.met]) == 1


@pytest.mark.parametrize(
    ("given_", "code"),
    [
        ("potassium 5 mmol/L, potassium missing", "R105"),
        ("potassium missing, potassium unreadable \"x\"", "R105"),
        ("specimen age 9 hours, specimen age 8 hours", "R105"),
        ("preceding potassium 5 mmol/L, preceding potassium 4 mmol/L", "R105"),
        ("specimen age 9 months", "R203"),
        ("specimen age 9", "R203"),
        ("preceding potassium 5", "R204"),
        ("preceding potassium 5 g", "R203"),
        ("preceding potasium 5 mmol/L", "R201"),
        ("potasium missing", "R201"),
        ("potasium unreadable \"x\"", "R201"),
    ],
)  # fmt: skip
def test_a_wrong_given_is_told(given_: str, code: str) -> None:
    text = f'{RULES}\nscenario "s"\n  given {given_}\n  expect potassium held\n'
    assert [d.code for d in check({"a": text}).diagnostics if d.severity == "error"] == [code]


def test_a_decision_made_from_the_facts_again_is_the_same() -> None:
    made = program(RULES)
    case = case_of(
        made, {"potassium": "5.0"}, measured=TAKEN + 9 * HOUR, preceding={"potassium": "60"},
        quality={"potassium": "in control", "chloride": "out of control"},
    )  # fmt: skip
    assert decide(read_case(pack(case)), made) == decide(case, made)
