"""Conventional units: what is shown is converted, what is decided is not."""

import json
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracle_cases import Chance
from oracle_texts import GRID, Writer
from scenes import case_of

from verifier.cli import main
from verifier.decide.decide import decide
from verifier.facts.case import Case
from verifier.facts.presentation import Presentation
from verifier.facts.values import Between, Number
from verifier.facts.verdicts import Decision, Judgement
from verifier.language import Program, check
from verifier.language.differences import differences
from verifier.language.formatting import formatted
from verifier.language.limitlist import limit_lines

# Adjusted calcium as Payne, BMJ 1973;4:643, has it, in SI units: + 0.02 mmol/L for each g/L of
# albumin below 40; in US units + 0.8 mg/dL for each g/dL below 4.0.
RULES = """
population adult  age >= 18 years
test calcium "Calcium"
  unit         mmol/L  decimals 2
  conventional mg/dL   decimals 1
  molar mass   40.078 g/mol
test albumin "Albumin"
  unit         g/L     decimals 0
  conventional g/dL    decimals 1
test potassium "Potassium"
  unit mmol/L  decimals 1
limits for calcium
  from "an example"
  measurable         0.50 to 5.00
  reference  adult   2.10 to 2.60
  critical   adult   below 1.65, above 3.22
  change             at most 0.5 within 3 days
limits for adjusted
  from "an example"
  reference  2.10 to 2.60
derive adjusted "Adjusted calcium"
  from "Payne, BMJ 1973;4:643"
  unit         mmol/L  decimals 1
  conventional mg/dL   decimals 1
  molar mass   40.078 g/mol
  formula      calcium + 0.02 mmol/g * (40 g/L - albumin)
  report as LOINC 29265-6, conventional LOINC 18281-6
rule critical for every test
  from "an example"
  hold when result is critical
  because "{test} {result} is beyond {limit}"
rule changed for calcium
  from "an example"
  hold when result changed too much
  when unknown ignore
  because "{test} went from {earlier} to {result}, allowed is {limit}; adjusted {adjusted}"
rule low for calcium
  from "an example"
  hold when result < 1.7 mmol/L
  because "{test} {result}"
"""


def both(text: str = RULES) -> tuple[Program, Program]:
    found = [check({"a.rules": text}, conventional=flag).program for flag in (False, True)]
    assert found[0] is not None
    assert found[1] is not None
    return found[0], found[1]


SI, US = both()


def reasons(program: Program, calcium: str | Between, **more: object) -> list[str]:
    case = case_of(program, {"calcium": calcium, "albumin": "40"}, **more)  # type: ignore[arg-type]
    return [reason.text for reason in program.judge(case).reasons.get(0, ())]


def test_reasons_and_limits_are_shown_in_the_unit_of_the_site() -> None:
    assert reasons(SI, "1.60") == [
        "Calcium 1.60 mmol/L is beyond below 1.65 mmol/L", "Calcium 1.60 mmol/L",
    ]  # fmt: skip
    # 1.60 and 1.65 mmol/L by 40.078 g/mol are 6.41248 and 6.61287 mg/dL
    assert reasons(US, "1.60") == [
        "Calcium 6.412 mg/dL is beyond below 6.613 mg/dL", "Calcium 6.412 mg/dL",
    ]  # fmt: skip


def test_earlier_values_changes_and_derived_ones_are_shown_alike() -> None:
    past = {"calcium": [(timedelta(days=1), "1.80")]}
    (text,) = reasons(US, "2.40", earlier=past)
    assert text == (
        "Calcium went from 7.214 mg/dL to 9.619 mg/dL, allowed is at most 2.004 mg/dL within 3 "
        "days; adjusted 9.619 mg/dL"
    )


def test_censored_values_are_shown_alike() -> None:
    across = Between(None, Decimal("1.68"))
    assert reasons(SI, across) == [
        "can not be judged: Calcium <1.68 may lie on either side of the critical limit below 1.65 "
        "mmol/L, above 3.22 mmol/L", "Calcium <1.68 mmol/L",
    ]  # fmt: skip
    assert reasons(US, across) == [
        "can not be judged: Calcium <6.733 may lie on either side of the critical limit below "
        "6.613 mg/dL, above 12.905 mg/dL", "Calcium <6.733 mg/dL",
    ]  # fmt: skip
    assert "Calcium <7.214 may lie on either side of 6.813" in " ".join(
        reasons(US, Between(None, Decimal("1.80")))
    )


def test_results_are_decided_with_value_and_unit_as_shown() -> None:
    for program, value, unit in ((SI, "2.30", "mmol/L"), (US, "9.2", "mg/dL")):
        case = case_of(program, {"calcium": "2.30", "albumin": "40"})
        result = decide(case, program).results[0]
        assert (result.value, result.unit) == (value, unit)
        assert result.reference == ("2.10-2.60" if program is SI else "8.416-10.42")
        potassium = decide(case_of(program, {"potassium": "4.1"}), program).results[0]
        assert (potassium.value, potassium.unit) == ("4.1", "mmol/L")  # no conventional unit


# The US form of the formula, 8.0 mg/dL and 2.5 g/dL: 9.2 mg/dL (Payne, BMJ 1973;4:643; computed).
@pytest.mark.parametrize(
    ("calcium", "albumin", "expected"),
    [("8.0", "2.5", "9.2"), ("9.6", "4.0", "9.6"), ("10.4", "4.6", "9.9"), ("7.2", "1.8", "9.0")],
)
def test_a_derived_result_is_reported_in_the_unit_and_under_the_code_of_the_site(
    calcium: str, albumin: str, expected: str
) -> None:
    in_si = Decimal(calcium) * 10 / Decimal("40.078")
    case = case_of(US, {"calcium": str(in_si), "albumin": str(10 * Decimal(albumin))})
    (derived,) = US.judge(case).derived
    assert (derived.text, derived.unit, derived.code) == (expected, "mg/dL", "18281-6")
    (plain,) = SI.judge(case).derived
    assert (plain.unit, plain.code) == ("mmol/L", "29265-6")
    assert plain.value == derived.value  # judged alike; rounded to 0.1 mmol/L, which is 0.4 mg/dL


def test_a_derived_result_is_converted_before_it_is_rounded() -> None:
    case = case_of(US, {"calcium": "2.34", "albumin": "40"})
    (derived,) = US.judge(case).derived
    assert derived.value == Number(Decimal("2.3"))
    assert derived.text == "9.4"  # 2.34 mmol/L; 2.3 mmol/L would be 9.2 mg/dL
    assert US.judge(case).notes["adjusted"].value == "9.378"


def test_the_sender_s_digits_stay_where_it_sent_the_unit() -> None:
    from msgspec.structs import replace

    case = case_of(US, {"calcium": "2.300"})
    sent = replace(case.results[0], sent_text="9.22", sent_unit="mg/dL")
    case = replace(case, results=(sent,))
    assert decide(case, US).results[0].value == "9.22"


def test_words_and_gaps_are_not_converted() -> None:
    from verifier.facts.values import Unreadable

    case = case_of(US, {"calcium": Unreadable("much", "no number")})
    result = decide(case, US).results[0]
    assert (result.value, result.unit, result.outcome) == ("much", "mmol/L", "hold")


# --- identity, layout, words ---


def test_the_identity_is_the_rules_and_not_the_site_s() -> None:
    assert SI.identity == US.identity
    for before, after in (
        ("conventional mg/dL   decimals 1\n  molar", "molar"),
        ("conventional g/dL    decimals 1", "conventional g/dL    decimals 2"),
        (", conventional LOINC 18281-6", ", conventional local \"CA\""),
    ):  # fmt: skip
        assert before in RULES
        assert both(RULES.replace(before, after, 1))[0].identity != SI.identity


def test_it_keeps_its_layout_and_is_told_in_words() -> None:
    again = formatted(RULES.replace("conventional mg/dL", "conventional    mg/dL"))
    assert again is not None
    assert "  conventional mg/dL  decimals 1\n" in again
    assert "  report as LOINC 29265-6, conventional LOINC 18281-6\n" in again
    assert both(again)[0].identity == SI.identity
    text = RULES.replace("conventional g/dL    decimals 1", "conventional mg/dL decimals 0")
    assert differences({"a": RULES}, {"a": text}) == [
        "test albumin: conventional g/dL decimals 1 becomes mg/dL decimals 0"
    ]


TEST = 'test sodium "Sodium"\n  unit {unit}\n  conventional {clause}\n'
DERIVE = (
    'derive d "D"\n  from "s"\n  unit mmol/L\n  formula calcium\n  report as LOINC 39469-2{code}\n'
)


@pytest.mark.parametrize(
    ("text", "code", "message"),
    [
        (TEST.format(unit="mmol/L", clause="mg/dL decimals 0"), "R212",
         "mmol/L can not be converted to mg/dL"),
        (TEST.format(unit="mmol/L", clause="meq/L decimals 0"), "R212",
         "mmol/L can not be converted to meq/L"),
        (TEST.format(unit="mmol/L", clause="s decimals 0"), "R212",
         "mmol/L can not be converted to s"),
        (TEST.format(unit="mmol/mol", clause="% decimals 1"), "R212",
         "mmol/mol is not shown in %"),
        (TEST.format(unit="mmol/L", clause="mg/dl? decimals 0"), "R202",
         "'mg/dl?' is not a unit"),
        (TEST.format(unit="mmol/L", clause="mg/dL"), "R100",
         "a conventional unit says with how many decimals it is reported"),
        ('test ana "ANA"\n  titer\n  conventional mg/dL decimals 0\n', "R212",
         "a titer has no conventional unit"),
        ('test ratio "Ratio"\n  conventional % decimals 0\n', "R212",
         "a number without unit has no conventional unit"),
        (DERIVE.format(code=", conventional LOINC 13457-7"), "R106",
         "there is no conventional unit to go with this code"),
        (DERIVE.format(code="\n  conventional mg/dL decimals 0\n  molar mass 386.664 g/mol"),
         "R106", "this report has no LOINC code for the conventional unit"),
        (DERIVE.format(code=", conventional LOINC 18281-6\n  conventional mg/dL decimals 0\n  "
                       "molar mass 40.078 g/mol"), "R207", "the code 18281-6 is used twice"),
        (DERIVE.format(code=", conventional LOINC 13457-8\n  conventional mg/dL decimals 0\n  "
                       "molar mass 40.078 g/mol"), "R207",
         "13457-8 is not a LOINC code: its check digit would be 7"),
        (DERIVE.format(code="\n  molar mass 40.078 g"), "R203", "a molar mass is in g/mol"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("conventional", [False, True])
def test_what_can_not_be_converted_is_refused_at_every_site(
    text: str, code: str, message: str, conventional: bool
) -> None:
    found = check({"a.rules": RULES, "b.rules": text}, conventional=conventional).diagnostics
    assert [(d.code, d.message) for d in found if d.severity == "error"] == [(code, message)]


@pytest.mark.parametrize(
    ("unit", "conventional", "value", "shown"),
    [("L/L", "% decimals 0", "0.42", "42"), ("g/L", "g/dL decimals 1", "41", "4.1"),
     ("ug/L", "ng/mL decimals 0", "40", "40"), ("mg/L", "mg/dL decimals 1", "5", "0.5"),
     ("ukat/L", "U/L decimals 0", "1", "60")],
)  # fmt: skip
def test_units_of_one_dimension_need_no_molar_mass(
    unit: str, conventional: str, value: str, shown: str
) -> None:
    rule = 'rule any for x\n  from "s"\n  hold when result is critical\n  because "x"\n'
    rule += 'limits for x\n  from "s"\n  critical above 9000\n'
    text = f'test x "X"\n  unit {unit}\n  conventional {conventional}\n{rule}'
    _, program = both(text)
    assert decide(case_of(program, {"x": value}), program).results[0].value == shown


# --- exact conversion ---

# Molar masses from the abridged standard atomic weights (IUPAC 2021, from memory), factors from
# mg/dL computed: 1 mmol/L of glucose is 18.0156 mg/dL, 1 umol/L of creatinine 0.0113120 mg/dL.
FACTORS = [
    ("glucose", "mmol/L", "180.156", "mg/dL", "18.0156"),
    ("creatinine", "umol/L", "113.120", "mg/dL", "0.011312"),
    ("urate", "umol/L", "168.112", "mg/dL", "0.0168112"),
    ("bilirubin", "umol/L", "584.673", "mg/dL", "0.0584673"),
    ("calcium", "mmol/L", "40.078", "mg/dL", "4.0078"),
    ("cholesterol", "mmol/L", "386.664", "mg/dL", "38.6664"),
    ("iron", "umol/L", "55.845", "ug/dL", "5.5845"),
    ("cortisol", "nmol/L", "362.466", "ug/dL", "0.0362466"),
]


@pytest.mark.parametrize(
    ("unit", "mass", "other", "factor"), [row[1:] for row in FACTORS], ids=[r[0] for r in FACTORS]
)
@given(value=st.decimals("0.001", "9999", places=3))
@settings(max_examples=20, deadline=None)
def test_the_factor_is_exact(unit: str, mass: str, other: str, factor: str, value: Decimal) -> None:
    text = (
        f'test x "X"\n  unit {unit}\n  molar mass {mass} g/mol\n  conventional {other} decimals 3'
    )
    rule = '\nrule any for x\n  from "s"\n  hold when result > 1 g/L\n  because "x"\n'
    present = both(text + rule)[1].catalogue.tests["x"].present
    assert present is not None
    exact = Fraction(value) * Fraction(factor)
    assert Fraction(present.above) / Fraction(present.below) == Fraction(factor)
    assert abs(Fraction(present.reported(value)) - exact) <= Fraction(1, 2000)
    assert abs(Fraction(present.number(value)) - exact) <= Fraction(1, 200_000)


def test_numbers_keep_the_reported_places_and_no_idle_ones() -> None:
    shown = Presentation.of("mg/dL", 1, Fraction(40078, 10000))
    assert [str(shown.number(Decimal(n))) for n in ("0", "2.5", "1.65")] == [
        "0.0",
        "10.02",
        "6.613",
    ]
    same = Presentation.of("mmol/L", 0, Fraction(1))
    assert str(same.number(Decimal("2.80"))) == "2.80"
    assert str(same.reported(Decimal("2.50"))) == "3"  # halves away from zero


# --- the same decision, whatever is shown ---

SHOWN = {
    "potassium": "umol/L decimals 1", "calcium": "mg/dL decimals 2",
    "creatinine": "mg/dL decimals 2", "albumin": "g/dL decimals 1", "hemolysis": "mg/dL decimals 0",
}  # fmt: skip


def with_clauses(text: str) -> str:
    for name, clause in SHOWN.items():
        text = text.replace(f"test {name}\n", f"test {name}\n  conventional {clause}\n")
    text = text.replace("  unit mmol/L\n", "  unit mmol/L\n  conventional umol/L decimals 1\n")
    return text.replace("  unit g/L\n", "  unit g/L\n  conventional g/dL decimals 1\n")


def bare(judgement: Judgement, decision: Decision) -> object:
    """Return everything that is decided, without the words and numbers that are shown."""
    return (
        {n: {(r.rule, r.kind, r.until) for r in said} for n, said in judgement.reasons.items()},
        judgement.covered, judgement.flags, judgement.requests, judgement.instead,
        [(d.test, d.value, d.flag, d.inputs, {(r.rule, r.kind) for r in d.reasons})
         for d in judgement.derived],
        [(r.entry, r.test, r.outcome, r.flag, [(x.rule, x.kind) for x in r.reasons])
         for r in (*decision.results, *decision.derived)],
        decision.rule_set, decision.wait_until,
    )  # fmt: skip


def decided(case: Case, program: Program) -> object:
    return bare(program.judge(case), decide(case, program))


@given(st.integers(0, 10**6))
@settings(max_examples=40, deadline=None)
def test_decisions_do_not_depend_on_the_units_of_the_site(seed: int) -> None:
    random = Random(seed)
    writer = Writer(random)
    text = with_clauses(writer.rule_set())
    declared = check({"a.rules": text}).program
    if declared is None:
        return
    shown = check({"a.rules": text}, conventional=True).program
    assert shown is not None
    assert shown.identity == declared.identity
    assert any(test.present for test in shown.catalogue.tests.values())
    chance = Chance(random, declared.catalogue, writer.made())
    for _ in range(20):
        case = chance.case()
        assert decided(case, shown) == decided(case, declared)


def test_the_property_speaks_of_every_test_with_a_unit() -> None:
    assert set(SHOWN) == {name for name, (unit, *_) in GRID.items() if unit != "{index}"}
    declared, shown = both(with_clauses(Writer(Random(3)).rule_set()))
    words = [[line.values for line in limit_lines(program)] for program in (declared, shown)]
    assert words[0] != words[1]


# --- rules limits ---


def test_limits_are_listed_in_either_unit() -> None:
    lines = {(x.test, x.kind): x for x in limit_lines(US)}
    critical = lines["calcium", "critical"]
    assert critical.values == "below 6.613 mg/dL, above 12.905 mg/dL"
    assert (critical.unit, critical.population, critical.source) == ("mg/dL", "adult", "an example")
    assert critical.converted
    assert lines["calcium", "change"].values == "at most 2.004 mg/dL within 3 days"
    declared = {(x.test, x.kind): x for x in limit_lines(SI)}
    assert declared["calcium", "critical"].values == "below 1.65 mmol/L, above 3.22 mmol/L"
    assert not any(line.converted for line in declared.values())
    assert declared.keys() == lines.keys()
    assert {line.test for line in limit_lines(US, "adjusted")} == {"adjusted"}


def test_the_command_lists_limits(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.rules").write_text(RULES, encoding="utf-8")
    command = ["rules", "limits", str(tmp_path)]
    assert main([*command, "--test", "calcium", "--units", "conventional"]) == 0
    out = capsys.readouterr().out
    assert "Calcium (calcium)" in out
    assert "below 6.613 mg/dL, above 12.905 mg/dL (converted)" in out
    assert "shown in conventional units" in out
    site = tmp_path / "site.toml"
    site.write_text('units = "conventional"\n[connections.a]\nport = 1\n', encoding="utf-8")
    for more in (["--units", "conventional"], ["--config", str(site)]):
        assert main([*command, "--json", *more]) == 0
        told = json.loads(capsys.readouterr().out)
        assert (told["units"], told["identity"]) == ("conventional", SI.identity)
        assert {line["unit"] for line in told["limits"]} == {"mg/dL"}
    assert main([*command, "--json", "--config", str(site), "--units", "SI"]) == 0
    assert json.loads(capsys.readouterr().out)["limits"][0]["unit"] == "mmol/L"
    assert main([*command, "--test", "sodium"]) == 2
    assert "known: adjusted, calcium" in capsys.readouterr().err
