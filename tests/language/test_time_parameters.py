"""Parameters that are times: windows, waits, calls and ages a site may set."""

from datetime import timedelta

import pytest
from scenes import HEAD, NOW, adult, case_of, judged, program, reasons

from verifier.language import Program, check
from verifier.language.differences import differences
from verifier.language.formatting import formatted

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
RULES = (
    HEAD
    + """
parameter our_window = 3 days
  from "our procedure"
parameter our_wait = 20 minutes
  from "our procedure"
parameter our_call = 30 minutes
  from "our procedure"
parameter our_age = 18 years
  from "our procedure"

population of_age  age >= our_age
population minor   age < our_age

limits for calcium
  from "s"
  critical of_age below 1.65
  critical minor  below 1.75
  change at most 0.2 within our_window

rule risen for potassium
  from "s"
  hold when change(result within our_window) > 1 mmol/L
  when unknown ignore
  because "{test} {result} after {earlier}"

rule fallen for calcium
  from "s"
  hold when result changed too much
  when unknown ignore
  because "{test} {result}, {limit}"

rule critical for calcium
  from "s"
  hold when result is critical
  because "{test} {result} is beyond {limit}"
  call clinician within our_call

rule complete for potassium
  from "s"
  wait up to our_wait for hemolysis
  hold when hemolysis > 1 g/L
  when unknown hold
  because "hemolysis {hemolysis}"
"""
)


def site(**values: str) -> Program:
    found = check({"a.rules": RULES}, values)
    assert found.program is not None, found.diagnostics
    return found.program


def errors(text: str, values: dict[str, str] | None = None) -> list[tuple[str, str, str]]:
    found = check({"a.rules": text}, values or {}).diagnostics
    return [(d.code, d.file, d.message) for d in found if d.severity == "error"]


def test_a_window_is_the_parameter_s() -> None:
    past = {"potassium": [(2 * DAY, "4.0")], "calcium": [(2 * DAY, "2.0")]}
    today = {"potassium": "5.1", "calcium": "2.3", "hemolysis": "0"}
    for made, held in (
        (program(RULES), True),
        (site(our_window="47 hours"), False),
        (site(our_window="48 hours"), True),
        (site(our_window="1 week"), True),
    ):
        found = reasons(made, today, earlier=past)  # fmt: skip
        assert found["potassium"] == ({"risen hold"} if held else set())
        assert found["calcium"] == ({"fallen hold"} if held else set())
    assert site(our_window="2 weeks").longest_window == timedelta(days=14)


def test_a_wait_is_the_parameter_s() -> None:
    for made, minutes, kind in ((program(RULES), 19, "wait"), (program(RULES), 20, "unknown"),
                                (site(our_wait="1 hour"), 59, "wait")):  # fmt: skip
        case = case_of(made, {"potassium": "4"}, opened=NOW - timedelta(minutes=minutes))
        (reason,) = made.judge(case).reasons[0]
        assert reason.kind == kind


def test_a_call_is_the_parameter_s() -> None:
    for made, text in ((program(RULES), "clinician within 30 minutes"),
                       (site(our_call="1 hour"), "clinician within 1 hour")):  # fmt: skip
        (request,) = judged(made, {"calcium": "1.2"})[1].requests
        assert (request.what, request.detail) == ("call", text)


def test_an_age_is_the_parameter_s() -> None:
    for made, years, held in ((program(RULES), 18, False), (program(RULES), 17, True),
                              (site(our_age="16 years"), 17, False),
                              (site(our_age="204 months"), 17, False)):  # fmt: skip
        found = reasons(made, {"calcium": "1.70"}, patient=adult(years=years))["calcium"]
        assert found == ({"critical hold"} if held else set())


def test_a_gap_between_populations_is_found_at_the_parameter() -> None:
    text = RULES.replace("minor   age < our_age", "minor   age < 16 years")
    gaps = [d for d in check({"a.rules": text}).diagnostics if d.code == "R306"]
    assert any("17 years 364 days" in gap.message for gap in gaps)
    assert not any(d.code in ("R302", "R306") for d in check({"a.rules": RULES}).diagnostics)
    overlaps = RULES.replace("minor   age < our_age", "minor   age < 19 years")
    assert any(code == "R302" for code, *_ in errors(overlaps))


def test_the_value_that_counts_is_shown() -> None:
    past = {"potassium": [(2 * DAY, "4.0")], "calcium": [(2 * DAY, "2.0")]}
    made = site(our_window="60 hours")
    values = {"potassium": "5.1", "calcium": "2.3", "hemolysis": "0"}
    judgement = judged(made, values, earlier=past)[1]
    fact = next(f for f in judgement.reasons[0][0].facts if f.name == "our_window")
    assert (fact.value, fact.unit) == ("60", "hours")
    assert fact.source == "set by this site; our procedure"
    assert "at most 0.2 mmol/L within 60 hours" in judgement.reasons[1][0].text
    limit = next(f for f in judgement.reasons[1][0].facts if f.name == "change limit")
    assert limit.source == "s; our_window: set by this site; our procedure"
    shown = {item.name: f"{item.value} {item.unit}" for item in made.parameters}
    assert shown["our_window"] == "60 hours"
    assert made.identity != program(RULES).identity


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"our_window": "3 mmol/L"}, "R203"),
        ({"our_window": "3"}, "R203"),
        ({"our_window": "2 fortnights"}, "R203"),
        ({"our_wait": "2 years"}, "R203"),
        ({"our_age": "20 minutes"}, "R203"),
        ({"our_window": "0 days"}, "R209"),
    ],
)
def test_what_a_site_can_not_set(values: dict[str, str], code: str) -> None:
    found = errors(RULES, values)
    assert {(c, file) for c, file, _ in found} == {(code, "parameters of this site")}


def test_a_window_in_months_is_refused_where_it_stands_and_names_the_site() -> None:
    found = [d for d in check({"a.rules": RULES}, {"our_window": "2 months"}).diagnostics
             if d.severity == "error"]  # fmt: skip
    assert {d.code for d in found} == {"R203"}
    assert all("parameters of this site" in d.related[0] for d in found)


@pytest.mark.parametrize(
    ("before", "after", "code", "message"),
    [
        ("within our_window) >", "within hemolysis) >", "R201",
         "there is no parameter 'hemolysis'"),
        ("within our_window) >", "within our_windows) >", "R201",
         "there is no parameter 'our_windows'"),
        ("of_age  age >= our_age", "of_age  age >= our_ages", "R201",
         "there is no test, derived result or population 'our_ages'"),
        ("hemolysis > 1 g/L", "hemolysis > our_wait", "R205", "this is a time, not a number"),
        ("below 1.65", "below our_wait", "R203", "the test is in mmol/L"),
        ("within our_call", "within our_age", "R203",
         "a time span is in minutes, hours, days or weeks, up to 10 years"),
        ("within our_call", "within 5 mmol/L", "R203",
         "a time span is in minutes, hours, days or weeks, up to 10 years"),
        ("age < our_age", "age < our_wait", "R203",
         "an age is compared with whole days, weeks, months or years"),
        ("= 20 minutes", "= 0 minutes", "R209", "a time is more than nothing"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told(before: str, after: str, code: str, message: str) -> None:
    assert before in RULES
    found = errors(RULES.replace(before, after, 1))
    assert (code, "a.rules", message) in found
    assert {c for c, *_ in found} <= {code, "R203"}


def test_it_keeps_its_layout_and_is_told_in_words() -> None:
    again = formatted(RULES)
    assert again is not None
    assert program(again).identity == program(RULES).identity
    assert differences({"a": RULES}, {"a": RULES.replace("= 3 days", "= 2 days")}) == [
        "parameter our_window: 3 days becomes 2 days"
    ]
    assert differences({"a": RULES}, {"a": RULES.replace("within our_call", "within 1 hour")}) == [
        "rule critical: call clinician within our_call becomes call clinician within 1 hour"
    ]
