"""What the checker says: the right code at the right place, several in one pass, no noise."""

import pytest
from lark import UnexpectedInput
from scenes import HEAD, SHIPPED

from verifier.language import CODES, check, render, slips
from verifier.language.reader import parser
from verifier.rulefiles import load_folder

LIMITS = 'limits for potassium\n  from "s"\n  critical adult below 2.8, above 6.2\n'
ANA = 'test ana "ANA"\n  titer\n'


def rule(*clauses: str, scope: str = "for potassium") -> str:
    lines = ['from "s"', 'because "x"', *clauses]
    return f"rule r {scope}\n" + "".join(f"  {line}\n" for line in lines)


def codes(text: str) -> set[str]:
    checked = check({"a.rules": HEAD + text})
    errors = {d.code for d in checked.diagnostics if d.severity == "error"}
    assert (checked.program is None) == bool(errors)
    return errors


# bad text, its one code
BAD = [
    ("R100", rule("hold when potassium > ")),
    ("R101", rule("hold when result is critical", "becuase x")),
    ("R101", "rul x\n"),
    ("R102", rule("hold when " + " or ".join(["potassium > 5 mmol/L"] * 40))),
    ("R103", rule("hold when result is critical", 'comment "unfinished')),
    ("R104", 'test sex "Sex"\n  unit g/L\n'),
    ("R104", 'test round "Round"\n  unit g/L\n'),
    ("R105", rule("hold when potassium > 5 mmol/L", "hold when potassium < 3 mmol/L")),
    ("R106", "rule r for potassium\n  hold when result > 5 mmol/L\n  from \"s\"\n"),
    ("R201", rule("hold when potasium > 5 mmol/L", "when unknown hold")),
    ("R201", rule("hold when result > 5 mmol/L", scope="for potasium")),
    ("R201", rule("hold when sex is woman", "when unknown hold")),
    ("R201", rule("hold when log(potassium) > 5 mmol/L")),
    ("R201", 'limits for calzium\n  from "s"\n  critical below 1\n'),
    ("R201", 'limits for calcium\n  from "s"\n  critical newborns below 1\n'),
    ("R202", 'test x "X"\n  unit mmmol/L\n'),
    ("R202", rule("hold when potassium > 5 mmil/L")),
    ("R203", rule("hold when potassium > 5 mg/dL")),
    ("R203", rule("hold when potassium > hemolysis", "when unknown hold")),
    ("R203", rule("hold when ln(potassium) > 1")),
    ("R203", rule("hold when age >= 5 mmol/L", "when unknown hold")),
    ("R203", rule("hold when previous(result within 5 mmol/L) is known")),
    ("R203", 'derive d "D"\n  unit g/L\n  formula potassium + 1 mmol/L\n  from "s"\n'),
    ("R204", rule("hold when potassium > 5")),
    ("R204", rule("hold when percent change(result within 3 days) > 20", "when unknown hold")),
    ("R205", rule("hold when potassium")),
    ("R205", rule("hold when potassium > 5 mmol/L and calcium", "when unknown hold")),
    ("R205", rule("hold when age > 17 years", "when unknown hold")),
    ("R205", "population sick potassium > 5 mmol/L\n"),
    ("R206", 'test potassium "Again"\n  unit mmol/L\n'),
    ("R206", 'derive adult "Again"\n  unit mmol/L\n  formula potassium\n  from "s"\n'),
    ("R207", 'test x "X"\n  code LOINC 2823-4\n  unit mmol/L\n'),  # 2823-3 is right
    ("R208", "population a b\npopulation b a\n"),
    ("R208", 'derive d "D"\n  unit mmol/L\n  formula d + potassium\n  from "s"\n'),
    ("R209", rule("hold when min(potassium) > 5 mmol/L")),
    ("R209", rule("hold when round(potassium, calcium) > 5 mmol/L", "when unknown hold")),
    ("R209", rule("hold when previous(potassium) > 5 mmol/L", "when unknown hold")),
    ("R209", rule("hold when potassium > 5 mmol/L", 'flag "WOW"')),
    ("R210", rule("hold specimen when result > 5 mmol/L", scope="")),
    ("R211", ANA + rule("hold when ana >= 160", "when unknown hold")),
    ("R212", 'test sodium "Sodium"\n  unit mmol/L\n  conventional mg/dL decimals 0\n'),
    ("R301", 'limits for calcium\n  from "s"\n  reference 2.6 to 2.1\n'),
    ("R302", LIMITS + 'limits for potassium\n  from "s"\n  critical adult below 2.5\n'
     + rule("hold when result is critical")),
    ("R303", "limits for calcium\n  critical below 1\n"),
    ("R304", 'limits for calcium\n  from "s"\n  critical below 2.2\n  reference 2.1 to 2.6\n'),
    ("R401", rule("hold when calcium < 2 mmol/L")),
    ("R401", rule("hold when result > previous(result within 3 days)")),
    ("R402", rule("hold when potassium > 5 mmol/L", "when unknown hold", scope="")),
    ("R403", rule("hold when potassium > 5 mmol/L", 'comment "{sodium}"')),
]  # fmt: skip


@pytest.mark.parametrize(("code", "text"), BAD, ids=[f"{c}-{n}" for n, (c, _) in enumerate(BAD)])
def test_one_cause_gives_one_code(code: str, text: str) -> None:
    fine = rule("hold when potassium > 9 mmol/L").replace("rule r ", "rule fine ")
    assert codes(text + fine) == {code}


def test_every_code_is_met_by_a_test() -> None:
    warned = {"R200", "R305", "R306", "R404", "R405", "R406", "R407", "R408", "R500", "R501"}
    assert {code for code, _ in BAD} | warned == set(CODES)


# right text that resembles the bad
GOOD = [
    rule("hold when potassium > 5000 umol/L"),
    rule("hold when calcium is known and calcium < 8 mg/dL"),
    rule("hold when calcium is not known or calcium < 2 mmol/L"),
    rule("hold when previous(result within 3 days) is known",
         "     and change(result within 3 days) > 1 mmol/L"),
    rule("hold when potassium is between 3.5 and 5.1 mmol/L"),
    rule("hold when potassium / (1 mmol/L) > 3"),
    rule("hold when if adult then potassium > 5 mmol/L else potassium > 6 mmol/L")
    .replace("if adult then potassium > 5 mmol/L else potassium > 6 mmol/L",
             "potassium > (if adult then 5 mmol/L else 6000 umol/L)"),
    rule("hold calcium, potassium when hemolysis > 5 g/L", "when unknown hold"),
]  # fmt: skip


@pytest.mark.parametrize("text", GOOD)
def test_right_text_gives_no_error(text: str) -> None:
    assert codes(text) == set()


def test_everything_is_said_in_one_pass_at_its_place() -> None:
    text = (
        "test potassium\n  unit mmol/Q\n"
        "limits for potassium\n  critical below 2,8\n  referense 3 to 4\n"
        "rule a for potassium\n  hold if result is critical\n  because high\n"
        'rule b for potasium\n  hold when calcum > 5\n  because "x"\n  from "s"\n'
    )
    found = [(d.code, d.line, d.column) for d in check({"a": text}).diagnostics]
    assert found == [
        ("R202", 2, 8),
        ("R100", 4, 20),
        ("R101", 5, 3),
        ("R100", 7, 11),
        ("R100", 8, 11),
        ("R201", 9, 12),
    ]


def test_a_statement_that_can_not_be_read_has_no_consequences() -> None:
    text = 'test x "X"\n  unit\n' + rule("hold when x > 5 mmol/L", scope="for x")
    assert codes(text) == {"R100"}


def test_what_was_meant_is_guessed() -> None:
    checked = check({"a": HEAD + rule("hold when hemolisis > 5 g/L", "when unknown hold")})
    assert "hemolysis" in checked.diagnostics[0].fix


SNIPPETS = [(slip, text) for slip, texts in slips.SLIPS.items() for text in texts]


@pytest.mark.parametrize(("slip", "text"), SNIPPETS, ids=[str(n) for n in range(len(SNIPPETS))])
def test_common_slips_get_their_sentence(slip: slips.Slip, text: str) -> None:
    with pytest.raises(UnexpectedInput) as stop:
        parser().parse(text)
    found = slips.recognised(stop.value, parser(), text, stop.value.pos_in_stream or 0)
    assert found == slip
    assert slip.message in {d.message for d in check({"a": text}).diagnostics}


@pytest.mark.parametrize("sign", [s for s in slips.SIGNS if s not in "'{"])
def test_foreign_signs_get_their_sentence(sign: str) -> None:
    checked = check({"a": rule(f"hold when potassium {sign} 5 mmol/L")})
    assert slips.SIGNS[sign].message in {d.message for d in checked.diagnostics}


def test_rendering_shows_line_mark_meaning_and_fix() -> None:
    text = HEAD + rule("hold when potassium > 5 mg/dL")
    finding = next(d for d in check({"chem.rules": text}).diagnostics if d.code == "R203")
    shown = render(finding, text.split("\n"))
    assert shown.split("\n")[:3] == [
        f"chem.rules:{finding.line}:25   R203   units do not match",
        f"{finding.line:>4} |   hold when potassium > 5 mg/dL",
        f"{' ' * len(str(finding.line)):>4} | {' ' * 24}^^^^^^^ Potassium is in mmol/L",
    ]
    assert "Try             5 mmol/L" in shown
    assert "\x1b" not in shown
    assert "\x1b" in render(finding, text.split("\n"), color=True)


def test_nothing_at_all_is_no_rule_set() -> None:
    for files in ({}, {"a": ""}, {"a": "# only a comment\n"}):
        checked = check(files)
        assert checked.program is None
        assert [d.code for d in checked.diagnostics] == ["R500"]
    only_tests = check({"a": HEAD})
    assert only_tests.program is None
    assert "R500" in {d.code for d in only_tests.diagnostics}


def test_a_gap_is_shown_as_a_patient() -> None:
    checked = check({"a": HEAD + LIMITS + rule("hold when result is critical")})
    gap = next(d for d in checked.diagnostics if d.code == "R306")
    assert "girl, 17 years 364 days" in gap.message
    assert checked.program is not None


def test_an_overlap_is_shown_as_a_patient() -> None:
    text = HEAD + (
        "population grown age >= 16 years\n"
        'limits for potassium\n  from "s"\n  critical adult below 2.8\n  critical grown below 2.9\n'
    )
    found = check({"a": text + rule("hold when result is critical")}).diagnostics
    assert any(d.code == "R302" and "woman, 18 years 0 days" in d.message for d in found)


def test_a_limit_nobody_has_is_false_and_told() -> None:
    text = HEAD + LIMITS + rule("hold when result is critical", scope="for every test")
    checked = check({"a": text})
    uncovered = {d.message for d in checked.diagnostics if d.code == "R404"}
    assert uncovered == {
        "no rule says anything about calcium",
        "no rule says anything about hemolysis",
    }


def test_a_rule_for_a_limit_that_is_not_there_is_told() -> None:
    named = HEAD + rule("hold when calcium is critical", "when unknown hold")
    own = HEAD + rule("hold when result is critical", scope="for calcium")
    for text in (named, own):
        assert "R305" in {d.code for d in check({"a": text}).diagnostics}


def test_a_rule_without_source_is_told() -> None:
    text = HEAD + rule("hold when result > 5 mmol/L").replace('  from "s"\n', "")
    assert "R405" in {d.code for d in check({"a": text}).diagnostics}


def test_the_shipped_rules_have_no_error_and_no_warning() -> None:
    assert {d.severity for d in load_folder(SHIPPED).diagnostics} <= {"note"}


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("critical adult below 0.9, above 6.2", True),
        ("critical adult below 2.8, above 10.1", True),
        ("critical adult below 1.0, above 10.0", False),
        ("reference 3.5 to 5.1", False),
        ("autorelease 0.5 to 6.0", True),
        ("critical adult above 10100 umol/L", True),
    ],
)
def test_a_limit_beyond_what_can_be_measured_is_a_warning(row: str, told: bool) -> None:
    text = f'limits for potassium\n  from "s"\n  measurable 1.0 to 10.0\n  {row}\n'
    fine = rule("hold when result is outside measurable or result is critical")
    checked = check({"a.rules": HEAD + text + fine})
    assert checked.program is not None
    found = [d for d in checked.diagnostics if d.code == "R304"]
    assert [d.severity for d in found] == (["warning"] if told else [])
