"""Names for several tests, numbers a site may set, and limit rows for one specimen type."""

from datetime import timedelta
from pathlib import Path

import pytest
from scenes import HEAD, adult, judged, program, reasons

from verifier.errors import RuleSetError
from verifier.language import check
from verifier.rulefiles import load_program

DAY = timedelta(days=1)
GROUPED = """
group bench  potassium, calcium

limits for bench
  from "s"
  autorelease 1.0 to 6.0
  change      at most 10 % within 3 days

rule outside for bench
  from "s"
  hold when result is outside autorelease
  because "{test} {result}"

rule lysed
  from "s"
  hold bench when hemolysis >= 1 g/L
  when unknown ignore
  because "lysed"

rule complete for every test except bench
  from "s"
  hold when result > 3 g/L
  wait up to 20 minutes for bench
  because "x"
"""
SPELLED_OUT = (
    GROUPED.replace("group bench  potassium, calcium", "")
    .replace("every test except bench", "every test except calcium, potassium")
    .replace("bench", "potassium, calcium")
)


def errors(text: str, parameters: dict[str, str] | None = None) -> set[tuple[str, str]]:
    found = check({"a.rules": text}, parameters).diagnostics
    return {(item.code, item.file) for item in found if item.severity == "error"}


# --- group ---


def test_a_group_is_its_tests_wherever_tests_are_named() -> None:
    grouped, spelled_out = program(HEAD + GROUPED), program(HEAD + SPELLED_OUT)
    values = {"potassium": "6.5", "calcium": "2.0", "hemolysis": "1.5"}
    assert reasons(grouped, values) == {
        "potassium": {"outside hold", "lysed hold"}, "calcium": {"lysed hold"}, "hemolysis": set(),
    }  # fmt: skip
    assert judged(grouped, values) == judged(spelled_out, values)
    assert grouped.identity == spelled_out.identity


def test_a_group_can_name_groups_and_derived_results() -> None:
    made = program(
        HEAD + 'derive twice "Twice"\n  unit mmol/L\n  formula 2 * potassium\n  from "s"\n'
        "  report as LOINC 2823-3\n"
        "group salts  potassium\n  , twice\ngroup all  salts, calcium, salts\n"
        'rule high for all\n  from "s"\n  hold when result > 5 mmol/L\n  because "x"\n'
    )
    assert {rule.name: rule.tests for rule in made.rules} == {
        "high": ("calcium", "potassium", "twice")
    }


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("R201", "group bench  potasium, calcium\n"),
        ("R208", "group one  potassium, two\ngroup two  one\n"),
        ("R206", "group potassium  calcium\n"),
        ("R104", "group critical  calcium\n"),
        ("R201", 'rule r for benches\n  from "s"\n  hold when result > 9 mmol/L\n  because "x"\n'),
        ("R205", 'rule r for desk\n  from "s"\n  hold when desk > 9 mmol/L\n  because "x"\n'),
        ("R101", "grup bench  potassium\n"),
        ("R100", "group bench\n"),
    ],
)
def test_what_is_wrong_with_a_group(code: str, text: str) -> None:
    assert errors(HEAD + GROUPED.replace("bench", "desk") + text) == {(code, "a.rules")}


def test_a_wrong_group_is_reported_once_and_not_where_it_is_used() -> None:
    for wrong in ("bench  potasium, calcium", "bench  bench"):
        text = HEAD + GROUPED.replace("bench  potassium, calcium", wrong, 1)
        found = [d for d in check({"a.rules": text}).diagnostics if d.severity == "error"]
        assert [d.line for d in found] == [HEAD.count("\n") + 2], found


def test_a_group_that_can_not_be_read_is_reported_once() -> None:
    assert errors(HEAD + GROUPED.replace("potassium, calcium", "potassium; calcium", 1)) == {
        ("R100", "a.rules")
    }


# --- parameter ---

LIMIT = """
parameter hemolysis_limit = 0.5 g/L
  from "our procedure CHEM-014 v7"
parameter most_change = 20 %  from "s"
rule lysed for potassium
  from "s"
  hold when hemolysis >= hemolysis_limit
  when unknown ignore
  because "hemolysis {hemolysis} reaches {hemolysis_limit}"
rule risen for potassium
  from "s"
  hold when percent change(result within 3 days) > most_change
  when unknown ignore
  because "x"
"""
VALUES = {"potassium": "5", "hemolysis": "0.55"}


def test_a_site_sets_a_parameter_without_touching_rules() -> None:
    shipped = program(HEAD + LIMIT)
    own = check({"a.rules": HEAD + LIMIT}, {"hemolysis_limit": "0.6 g/L"}).program
    in_milligrams = check({"a.rules": HEAD + LIMIT}, {"hemolysis_limit": "55 mg/dL"}).program
    assert own is not None
    assert in_milligrams is not None
    assert reasons(shipped, VALUES)["potassium"] == {"lysed hold"}
    assert reasons(own, VALUES)["potassium"] == set()
    assert reasons(in_milligrams, VALUES)["potassium"] == {"lysed hold"}
    assert [(p.name, p.value, p.unit) for p in own.parameters] == [
        ("hemolysis_limit", "0.6", "g/L"), ("most_change", "20", "%"),
    ]  # fmt: skip
    assert len({shipped.identity, own.identity, in_milligrams.identity}) == 3
    at_the_edge = {"earlier": {"potassium": [(DAY, "4.0")]}}  # 25 %
    assert reasons(shipped, {"potassium": "5"}, **at_the_edge)["potassium"] == {"risen hold"}


def test_a_parameter_is_shown_where_it_decides() -> None:
    _, judgement = judged(program(HEAD + LIMIT), VALUES)
    (reason,) = judgement.reasons[0]
    assert reason.text == "hemolysis 0.55 g/L reaches 0.5 g/L"
    limit = next(fact for fact in reason.facts if fact.name == "hemolysis_limit")
    assert (limit.value, limit.unit) == ("0.5", "g/L")
    assert limit.source == "our procedure CHEM-014 v7"
    own = check({"a.rules": HEAD + LIMIT}, {"hemolysis_limit": "0.4 g/L"}).program
    assert own is not None
    (reason,) = judged(own, VALUES)[1].reasons[0]
    assert reason.text == "hemolysis 0.55 g/L reaches 0.4 g/L"
    limit = next(fact for fact in reason.facts if fact.name == "hemolysis_limit")
    assert limit.source == "set by this site; our procedure CHEM-014 v7"


def test_a_limit_row_can_end_at_a_parameter() -> None:
    text = (
        HEAD + 'parameter top = 6200 umol/L\n  from "our list"\n'
        'parameter bottom = 2.8\n  from "our list"\n'
        'limits for potassium\n  from "s"\n  critical adult below bottom, top or above\n'
        '  autorelease bottom to top\nrule critical for potassium\n  from "s"\n'
        '  hold when result is critical\n  when unknown hold\n  because "beyond {limit}"\n'
    )
    for value, held in (("2.8", False), ("2.79", True), ("6.19", False), ("6.2", True)):
        assert bool(reasons(program(text), {"potassium": value})["potassium"]) is held, value
    own = check({"a.rules": text}, {"top": "6.5 mmol/L"}).program
    assert own is not None
    assert reasons(own, {"potassium": "6.4"})["potassium"] == set()
    (reason,) = judged(own, {"potassium": "6.5"})[1].reasons[0]
    assert reason.text == "beyond 6.5 mmol/L or above"
    limit = next(fact for fact in reason.facts if fact.name == "critical limit")
    assert limit.source == "s; bottom: our list; top: set by this site; our list"
    assert errors(text.replace("below bottom", "below botom")) == {("R201", "a.rules")}
    assert errors(text.replace("6200 umol/L", "6200 mg/L")) == {("R203", "a.rules")}
    assert errors(text, {"bottom": "7"}) == {("R301", "a.rules")}


def test_a_folder_is_read_with_the_parameters_of_the_site(tmp_path: Path) -> None:
    (tmp_path / "a.rules").write_text(HEAD + LIMIT, encoding="utf-8")
    own = load_program(tmp_path, {"hemolysis_limit": "0.6 g/L"})
    assert reasons(own, VALUES)["potassium"] == set()
    assert reasons(load_program(tmp_path), VALUES)["potassium"] == {"lysed hold"}
    with pytest.raises(RuleSetError, match="parameters of this site:1"):
        load_program(tmp_path, {"hemolysis_limits": "0.6 g/L"})


@pytest.mark.parametrize(
    ("code", "given"),
    [
        ("R201", {"hemolysis_limits": "0.6 g/L"}),
        ("R203", {"hemolysis_limit": "0.6 mmol/L"}),
        ("R203", {"hemolysis_limit": "0.6"}),
        ("R203", {"most_change": "0.2"}),
        ("R202", {"hemolysis_limit": "0.6 gram"}),
        ("R100", {"hemolysis_limit": "a lot"}),
        ("R100", {"hemolysis_limit": ""}),
        ("R100", {"hemolysis_limit": '0.6 g/L\nrule x for potassium\n  because "x"'}),
        ("R100", {"": "1"}),
    ],
)
def test_a_value_that_does_not_fit_is_refused(code: str, given: dict[str, str]) -> None:
    assert errors(HEAD + LIMIT, given) == {(code, "parameters of this site")}


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("R303", "parameter x = 5 mmol/L\n"),
        ("R105", 'parameter x = 5 mmol/L from "s"\n  from "t"\n'),
        ("R206", 'parameter potassium = 5 mmol/L\n  from "s"\n'),
        ("R202", 'parameter x = 5 mmmol/L\n  from "s"\n'),
        ("R100", 'parameter x 5 mmol/L\n  from "s"\n'),
    ],
)
def test_what_is_wrong_with_a_parameter(code: str, text: str) -> None:
    assert errors(HEAD + LIMIT + text) == {(code, "a.rules")}


def test_a_parameter_in_another_unit_does_not_fit_the_rule() -> None:
    assert errors(HEAD + LIMIT.replace("0.5 g/L", "0.5 mmol/L")) == {("R203", "a.rules")}
    assert errors(HEAD + LIMIT.replace("0.5 g/L", "3 days")) == {("R205", "a.rules")}


# --- limit rows for one specimen type ---

ROWS = """
test sodium "Sodium"
  in serum, plasma
  unit mmol/L
limits for sodium
  from "s"
  reference adult in serum   135 to 145
  reference adult in plasma  136 to 146
  change    in plasma        at most 5 within 3 days
rule outside for sodium
  from "s"
  hold when result is outside reference or result changed too much
  when unknown ignore
  because "{test} {result} against {limit}"
"""


def test_a_row_can_be_for_one_specimen_type() -> None:
    made = program(HEAD + ROWS)
    for kind, value, held in (
        ("serum", "135", False), ("plasma", "135", True),
        ("serum", "146", True), ("plasma", "146", False),
    ):  # fmt: skip
        found = reasons(made, {"sodium": value}, specimen_type=kind)["sodium"]
        assert found == ({"outside hold"} if held else set()), (kind, value)
    past = {"sodium": [(DAY, "139")]}
    assert reasons(made, {"sodium": "145"}, earlier=past)["sodium"] == set()
    assert reasons(made, {"sodium": "145"}, earlier=past, specimen_type="plasma")["sodium"]


def test_rows_of_specimen_types_and_attributes_are_a_partition() -> None:
    assert errors(HEAD + ROWS.replace("adult in plasma", "adult")) == {("R302", "a.rules")}
    assert errors(HEAD + ROWS.replace("in plasma  136", "in plasm  136")) == {("R201", "a.rules")}
    found = check({"a.rules": HEAD + ROWS}).diagnostics
    assert any("no change limit fits" in item.message for item in found)
    by_ward = 'population intensive  adult and attribute ward is "ICU"\n' + ROWS.replace(
        "adult in plasma", "intensive"
    ).replace("adult in serum", "everyone")
    overlaps = [d for d in check({"a.rules": HEAD + by_ward}).diagnostics if d.code == "R302"]
    assert "ward ICU" in overlaps[0].message
    made = program(
        HEAD
        + 'population intensive  attribute ward is "ICU"\n'
        + 'population elsewhere  attribute ward is not "ICU"\n'
        + ROWS.replace("adult in plasma ", "intensive").replace("adult in serum ", "elsewhere")
    )
    for ward, held in (("ICU", True), ("4B", False)):
        found = reasons(made, {"sodium": "135"}, patient=adult(ward=ward))["sodium"]
        assert found == ({"outside hold"} if held else set())
