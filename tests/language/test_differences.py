"""`verifier rules diff`: what changed, in words; nothing where the identity is equal."""

import re
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_formatting import shaken
from test_identity import statements_of
from test_manual import RIGHT

from verifier.cli import main
from verifier.language import check
from verifier.language.differences import differences
from verifier.rulefiles import read_files

# A small rule set of its own, so that the shipped one can change without these sentences.
FILES, _ = read_files(Path(__file__).parent / "panel")
STATEMENTS = statements_of(FILES)
WHOLE = "\n".join(STATEMENTS)

# what is written, what becomes of it, what is said
KEPT = "changed, its source did not"

CHANGES = [
    ("below 2.8, above 6.2", "below 2.8, above 6.0",
     ["potassium, adults: critical high 6.2 mmol/L becomes 6.0 mmol/L"]),
    ("below 2.8, above 6.2", "below 2.80, above 6.2",
     ["potassium, adults: critical low 2.8 mmol/L becomes 2.80 mmol/L"]),
    ("below 2.8, above 6.2", "2.8 or below, above 6.2",
     ["potassium, adults: critical low below 2.8 mmol/L becomes 2.8 mmol/L or below"]),
    ("below 2.8, above 6.2", "below 2.8",
     ["potassium, adults: critical high 6.2 mmol/L removed"]),
    ('  critical    child  below 1.62, above 3.17      from "Kost, Pediatrics 1991;88:597, '
     "mean of children's hospitals\"\n", "",
     ["calcium, children: critical low 1.62 mmol/L removed",
      "calcium, children: critical high 3.17 mmol/L removed"]),
    ("reference   woman  45 to 90  ", "reference   woman  45 to 95  ",
     ["creatinine, women: reference high 90 umol/L becomes 95 umol/L"]),
    ("at most 13 within 3 days", "at most 12 within 2 days",
     ["sodium: change at most 13 mmol/L within 3 days becomes 12 mmol/L within 2 days"]),
    ("example in an AACC publication, 2011", "our procedure",
     ['sodium: change source "example in an AACC publication, 2011" becomes "our procedure"']),
    ("population adult  age >= 18 years", "population adult  age >= 16 years",
     ["population adult: age >= 18 years becomes age >= 16 years"]),
    ("hemolysis >= 0.5 g/L", "hemolysis > 0.5 g/L",
     ["rule hemolysed-potassium: hold when hemolysis >= 0.5 g/L becomes "
      "hold when hemolysis > 0.5 g/L"]),
    ("hold specimen when hemolysis", "hold potassium, calcium when hemolysis",
     ["rule hemolysed-specimen: hold specimen when hemolysis >= 10 g/L becomes "
      "hold calcium, potassium when hemolysis >= 10 g/L"]),
    ("when unknown hold", "when unknown ignore",
     ["rule hemolysed-potassium: when unknown hold becomes ignore"]),
    ("ask for rerun", "ask for dilution",
     ["rule lipemic-electrolytes: ask for rerun becomes ask for dilution"]),
    ("  ask for rerun\n", "  ask for rerun\n  comment \"lipemic\"\n",
     ['rule lipemic-electrolytes: comment "lipemic" added']),
    ("within 30 minutes", "within 20 minutes",
     ["rule adjusted-calcium: call clinician within 30 minutes becomes "
      "call clinician within 20 minutes"]),
    ("wait up to 20 minutes for sodium, chloride, bicarbonate",
     "wait up to 30 minutes for sodium, chloride",
     ["rule gap: wait up to 20 minutes for bicarbonate, chloride, sodium becomes "
      "wait up to 30 minutes for chloride, sodium"]),
    ("rule lipemic-electrolytes for sodium, potassium, chloride",
     "rule lipemic-electrolytes for sodium, chloride",
     ["rule lipemic-electrolytes: for chloride, potassium, sodium becomes chloride, sodium"]),
    ("rule critical for every test", "rule critical for every test except hemolysis",
     ["rule critical: except hemolysis added"]),
    ("rule gap for", "rule anion-gap for", ["rule anion-gap added", "rule gap removed"]),
    ("pow(0.9938", "pow(0.993",
     ["derive egfr: formula 142 mL/min/{1.73_m2} * pow(min(ratio, 1), alpha) * pow(max(ratio, 1), "
      "-1.200) * pow(0.9938, age in years) * of_sex becomes 142 mL/min/{1.73_m2} * pow(min(ratio, "
      "1), alpha) * pow(max(ratio, 1), -1.200) * pow(0.993, age in years) * of_sex"]),
    ("unit      mmol/L  decimals 2\n  molar", "unit      mmol/L  decimals 1\n  molar",
     ["test calcium: decimals 2 becomes 1"]),
    ("LOINC 14749-6, LOINC 2345-7", "LOINC 14749-6",
     ["test glucose: code LOINC 2345-7 removed"]),
    ("  interference index\n  uncontrolled\n\ntest icterus", "  interference index\n\ntest icterus",
     ["test hemolysis: uncontrolled removed"]),
    ("NEJM 2021;385:1737", "NEJM 2021",
     ['derive egfr: source "Inker, NEJM 2021;385:1737" becomes "Inker, NEJM 2021"']),
]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "said"), CHANGES, ids=[c[1][:40] for c in CHANGES])
def test_a_change_is_said(before: str, after: str, said: list[str]) -> None:
    whole = "\n\n".join(STATEMENTS)
    assert before in whole
    found = differences({"a": whole}, {"a": whole.replace(before, after, 1)})
    assert [text for text in found if KEPT not in text] == said
    of_limits = [text for text in said if re.search(r": (critical|reference|change) ", text)]
    if any(KEPT in text for text in found):
        assert of_limits


def test_a_limit_that_keeps_its_source_is_told() -> None:
    whole = "\n\n".join(STATEMENTS)
    row = "below 2.8, above 6.2"
    changed = whole.replace(row, "below 2.8, above 6.6", 1)
    first, second = differences({"a": whole}, {"a": changed})
    assert first == "potassium, adults: critical high 6.2 mmol/L becomes 6.6 mmol/L"
    assert second.startswith(f"potassium, adults: the critical limit {KEPT} (")
    (line,) = (line for line in whole.splitlines() if row in line)
    cited = line.replace(row, "below 2.8, above 6.6").partition("from")[0] + 'from "our procedure"'
    assert KEPT not in " ".join(differences({"a": whole}, {"a": whole.replace(line, cited)}))


AROUND = [
    ("hold when specimen age > 8 hours", "hold when specimen age > 9 hours",
     ["rule stood-too-long: hold when specimen age > 8 hours becomes "
      "hold when specimen age > 9 hours"]),
    ("preceding(result) > 10000 * result", "preceding(hcg) > 20000 * result",
     ["rule carried-over: hold when result >= 5 [iU]/L and preceding(result) > 10000 * result "
      "becomes hold when result >= 5 [iU]/L and preceding(hcg) > 20000 * result"]),
    ("sodium is out of control\n", "sodium is not in control\n",
     ["rule same-electrodes: hold when sodium is out of control becomes "
      "hold when not sodium is in control"]),
    ("specimen age 9 hours", "specimen age 10 hours",
     ['scenario "over night in the ward": given specimen age 9 hours '
      "becomes specimen age 10 hours"]),
]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "said"), AROUND, ids=[c[1][:40] for c in AROUND])
def test_a_change_in_the_manual_is_said(before: str, after: str, said: list[str]) -> None:
    assert before in RIGHT
    assert differences({"a": RIGHT}, {"a": RIGHT.replace(before, after, 1)}) == said


@settings(deadline=None, max_examples=10)
@given(st.randoms(use_true_random=False))
def test_order_files_and_layout_are_no_difference(random: Random) -> None:
    assert differences(FILES, {"other.rules": shaken(STATEMENTS, random)}) == []


@settings(deadline=None, max_examples=40)
@given(st.randoms(use_true_random=False))
def test_every_change_of_identity_is_said(random: Random) -> None:
    """Nudge one number or drop one clause: a sentence if the identity changed, else none."""
    lines = WHOLE.split("\n")
    number = random.choice([n for n, line in enumerate(lines) if line.startswith(" ")])
    digits = [n for n, letter in enumerate(lines[number]) if letter.isdigit()]
    if digits and random.random() < 0.7:
        at = random.choice(digits)
        nudged = str((int(lines[number][at]) + 1) % 10)
        lines[number] = lines[number][:at] + nudged + lines[number][at + 1 :]
    else:
        del lines[number]
    old, new = check({"a": WHOLE}).program, check({"a": "\n".join(lines)}).program
    assert old is not None
    if new is not None:
        sentences = differences({"a": WHOLE}, {"a": "\n".join(lines)})
        assert (sentences == []) == (old.identity == new.identity)
        assert not any("order of its parts" in sentence for sentence in sentences)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new, broken = tmp_path / "old", tmp_path / "new", tmp_path / "broken"
    for folder in (old, new, broken):
        folder.mkdir()
        (folder / "a.rules").write_text(WHOLE, encoding="utf-8")
    assert main(["rules", "diff", str(old), str(new)]) == 0
    assert capsys.readouterr().out == ""
    changed = WHOLE.replace("below 2.8, above 6.2", "below 2.8, above 6.0", 1)
    (new / "a.rules").write_text(changed, encoding="utf-8")
    assert main(["rules", "diff", str(old), str(new)]) == 1
    out = capsys.readouterr().out
    assert out.splitlines()[0] == "potassium, adults: critical high 6.2 mmol/L becomes 6.0 mmol/L"
    assert KEPT in out.splitlines()[1]
    (broken / "a.rules").write_text(WHOLE + "\nrule\n", encoding="utf-8")
    assert main(["rules", "diff", str(old), str(broken)]) == 2
    assert "error" in capsys.readouterr().err


# --- what is expected ---

EXPECTED = """
scenario "low and hemolyzed"
  from "plan, case 3"
  given  woman of 40 years, potassium 2.4 mmol/L, hemolysis 0.8 g/L
  expect potassium held by critical, hemolysed-potassium fired
  after 20 minutes  sodium 140 mmol/L
  expect sodium released

guarantee "no critical potassium leaves alone"
  never release potassium when result is critical
"""
EXAMPLES = [
    ("potassium 2.4 mmol/L", "potassium 2.5 mmol/L",
     ['scenario "low and hemolyzed": given potassium 2.4 mmol/L becomes potassium 2.5 mmol/L']),
    ("potassium 2.4 mmol/L", "potassium  <2.4 mmol/L,\n      calcium 2.30 mmol/L",
     ['scenario "low and hemolyzed": given potassium 2.4 mmol/L removed',
      'scenario "low and hemolyzed": given potassium < 2.4 mmol/L added',
      'scenario "low and hemolyzed": given calcium 2.30 mmol/L added']),
    ("sodium released", "sodium held",
     ['scenario "low and hemolyzed": after 20 minutes expect sodium released becomes sodium held']),
    (", hemolysed-potassium fired", "",
     ['scenario "low and hemolyzed": expect hemolysed-potassium fired removed']),
    ("plan, case 3", "plan, case 4",
     ['scenario "low and hemolyzed": source "plan, case 3" becomes "plan, case 4"']),
    ("low and hemolyzed", "low",
     ['scenario "low and hemolyzed" removed', 'scenario "low" added']),
    ("when result is critical\n", "when result is critical or result > 7 mmol/L\n",
     ['guarantee "no critical potassium leaves alone": never release potassium when result is '
      "critical becomes never release potassium when result is critical or result > 7 mmol/L"]),
    ("release potassium when", "release when",
     ['guarantee "no critical potassium leaves alone": never release potassium when result is '
      "critical becomes never release when result is critical"]),
    ('scenario "low and hemolyzed"', "# only a remark\nscenario   \"low and hemolyzed\"", []),
]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "said"), EXAMPLES, ids=[e[1][:30] for e in EXAMPLES])
def test_a_change_of_what_is_expected_is_said(before: str, after: str, said: list[str]) -> None:
    text = WHOLE + EXPECTED
    assert before in EXPECTED
    changed = WHOLE + EXPECTED.replace(before, after, 1)
    programs = [check({"a": version}).program for version in (text, changed)]
    assert programs[0] is not None
    assert programs[1] is not None
    assert programs[0].identity == programs[1].identity
    assert differences({"a": text}, {"a": changed}) == said


def test_what_is_expected_stands_behind_what_is_decided() -> None:
    changed = WHOLE.replace("below 2.8, above 6.2", "below 2.8, above 6.0", 1) + EXPECTED
    found = differences({"a": WHOLE}, {"a": changed})
    assert [text for text in found if KEPT not in text] == [
        "potassium, adults: critical high 6.2 mmol/L becomes 6.0 mmol/L",
        'guarantee "no critical potassium leaves alone" added',
        'scenario "low and hemolyzed" added',
    ]


# --- what a site sets ---

PARAMETER = '\nparameter our_limit = 0.5 g/L\n  from "s"\nparameter our_window = 3 days from "s"\n'


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ({}, {"our_limit": "0.6 g/L"}, ["our_limit: 0.5 g/L becomes 0.6 g/L (set by the site)"]),
        ({"our_limit": "0.6 g/L"}, {}, ["our_limit: 0.6 g/L (set by the site) becomes 0.5 g/L"]),
        ({"our_limit": "0.6 g/L"}, {"our_limit": "0.7 g/L", "our_window": "2 days"},
         ["our_limit: 0.6 g/L (set by the site) becomes 0.7 g/L (set by the site)",
          "our_window: 3 days becomes 2 days (set by the site)"]),
        ({"our_limit": "0.6 g/L"}, {"our_limit": "0.6  g/L"}, []),
    ],
)  # fmt: skip
def test_what_a_site_sets_is_said(
    old: dict[str, str], new: dict[str, str], said: list[str]
) -> None:
    files = {"a": WHOLE + PARAMETER}
    assert differences(files, files, old, new) == [f"parameter {text}" for text in said]


def test_a_value_the_site_replaces_is_said_to_be_replaced() -> None:
    old = {"a": WHOLE + PARAMETER}
    new = {"a": WHOLE + PARAMETER.replace("0.5 g/L", "0.55 g/L")}
    site = {"our_limit": "0.6 g/L"}
    assert differences(old, new, site, site) == [
        "parameter our_limit: the value in the rules, which the site replaces, 0.5 g/L becomes "
        "0.55 g/L"
    ]
    assert differences(old, new) == ["parameter our_limit: 0.5 g/L becomes 0.55 g/L"]


def test_the_command_with_settings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.rules").write_text(WHOLE + PARAMETER, encoding="utf-8")
    sites = [tmp_path / "old.toml", tmp_path / "new.toml"]
    for path, value in zip(sites, ("0.6 g/L", "0.7 g/L"), strict=True):
        path.write_text(
            f'[parameters]\nour_limit = "{value}"\n[connections.a]\nport = 2575\n', encoding="utf-8"
        )
    folder, one, other = str(tmp_path), *map(str, sites)
    assert main(["rules", "diff", folder, folder, "--config", one]) == 0
    assert main(["rules", "diff", folder, folder, "--config", one, other]) == 1
    assert capsys.readouterr().out == (
        "parameter our_limit: 0.6 g/L (set by the site) becomes 0.7 g/L (set by the site)\n"
    )
    assert main(["rules", "diff", folder, folder, "--config", one, other, one]) == 2
