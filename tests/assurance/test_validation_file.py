"""The validation file: it holds everything, and what is not as it should be stands first.

Asked of such a file: CLSI AUTO10-A (2006) and ISO 15189:2022 7.4.1.5, both from memory.
"""

import re
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import pytest
from msgspec.structs import replace
from pypdf import PdfReader
from small_rules import ALL, SMALL, WOMAN, program_of

from verifier.assurance.proving import prove
from verifier.assurance.suite import SuiteRun, run_suite
from verifier.assurance.telling import answer_words
from verifier.assurance.validation import Evidence, Further, validation_file
from verifier.assurance.validation.proved import of_proofs
from verifier.assurance.writing import given
from verifier.cli import main
from verifier.documents.document import Document, Paragraph
from verifier.documents.html import as_html
from verifier.documents.pdf import as_pdf
from verifier.language.limitlist import limit_lines
from verifier.language.scene import plain
from verifier.rulefiles import read_files, shipped_rules

MADE = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
FAILS = WOMAN.replace("held by lysed", "released")


def run_of(*scenarios: str) -> SuiteRun:
    text = "".join(f'\nscenario "case {n}"\n{said}' for n, said in enumerate(scenarios))
    found = run_suite({"small.rules": SMALL + text})
    assert found is not None
    return found


def evidence(run: SuiteRun, **more: object) -> Evidence:
    return Evidence(run, (), MADE, "9.9", **more)  # type: ignore[arg-type]


def pages(document: Document) -> list[str]:
    return [page.extract_text() for page in PdfReader(BytesIO(as_pdf(document))).pages]


def body(found: list[str]) -> str:
    """Return the text of pages without what stands at the foot of each."""
    cut = (
        re.sub(r"Validation file[^\n]*\nrule set \w{64}\s*page \d+ of \d+\s*$", "", t)
        for t in found
    )
    return squeezed("".join(cut))


def squeezed(text: str) -> str:
    """Leave out what breaks lines, so that a text is found wherever its lines were broken."""
    return re.sub(r"\s+", "", text)


def test_the_file_of_the_shipped_rules_holds_each_rule_and_each_limit() -> None:
    run = run_suite(read_files(shipped_rules())[0])
    assert run is not None
    program = run.program
    found = pages(validation_file(evidence(run)))
    text = body(found)
    assert len(found) > 100
    for number, page in enumerate(found, start=1):
        assert program.identity in page
        assert f"page {number} of {len(found)}" in page
    limits = limit_lines(program)
    assert len(limits) > 400
    for line in limits:
        row = f"{line.kind}{line.population}{line.values}{line.source}"
        assert squeezed(row) in text, line
    assert len(program.rules) > 80
    for rule in program.rules:
        assert squeezed(f"Reason given: “{rule.because}”") in text, rule.name
        assert squeezed(f"source{rule.source}stands in") in text, rule.name
    for ran in run.ran:
        assert squeezed(ran.scenario.name) in text
    for guarantee in program.guarantees:
        assert squeezed(guarantee.name) in text
    for item in program.parameters:
        assert squeezed(f"{item.name}{item.value} {item.unit}") in text
    assert len(run.edges) > 2000
    for edge in run.edges:
        case = edge.case
        if case.step and edge.asked:
            what = given(program.catalogue, case.step)
            row = f"{case.words}{case.side}: {plain(case.value)}{what}"
            must = answer_words(case, case.expected)
            assert squeezed(f"{row}{must}{must}as written") in text, row


def test_what_fails_and_what_is_not_tested_stands_on_the_first_page() -> None:
    first = squeezed(pages(validation_file(evidence(run_of(WOMAN, FAILS))))[0])
    assert squeezed("Scenarios that FAIL: 1. case 1.") in first
    run = run_of(WOMAN)
    missing, of = len(run.coverage.missing), len(run.coverage.items)
    assert 0 < missing < of
    first = squeezed(pages(validation_file(evidence(run)))[0])
    assert squeezed(f"NOT TESTED: {missing} of {of}") in first
    assert squeezed("rules that fired 1 3 2") in first
    for said in (
        "Small mistakes put into the rules: not run.",
        "Guarantees: not proved: not run.",
        "Replay over stored history: not replayed: not run.",
        "Approval: no approval and no activation on record",
        "Not a medical device by itself.",
        run.program.identity,
        "verifier 9.9",
        "2026-03-01 09:30 UTC",
    ):
        assert squeezed(said) in first


def test_an_edge_decided_otherwise_than_written_stands_on_the_first_page() -> None:
    run = run_of(*ALL)
    wrong = replace(run.edges[0], answers=frozenset({not run.edges[0].case.expected}))
    found = pages(validation_file(evidence(replace(run, edges=(wrong, *run.edges[1:])))))
    assert squeezed("Edge cases decided otherwise than written: 1 (potassium).") in squeezed(
        found[0]
    )
    assert squeezed("decided as the limit is written: 11 of 12") in squeezed(found[0])
    assert squeezed("5 of 6, 1 FAIL") in squeezed("".join(found))


def test_a_file_without_scenarios_says_so_first_and_one_fully_covered_says_that() -> None:
    assert "There are no scenarios" in pages(validation_file(evidence(run_of())))[0]
    run = run_of(*ALL)
    assert not run.coverage.missing
    first = pages(validation_file(evidence(run)))[0]
    assert "Every rule, every part of a condition and every limit edge was tested." in first
    assert "NOT TESTED" not in first


def test_proofs_replay_and_approvals_are_told_as_they_are_given() -> None:
    given = Further("12 of 13 proved", (Paragraph("the thirteenth has a counterexample"),))
    more = {"proofs": given, "replay": Further("no result changes", look=False)}
    found = pages(validation_file(evidence(run_of(*ALL), **more)))
    assert "Guarantees: 12 of 13 proved." in found[0]
    assert "Replay over stored history: no result changes." in found[0]
    text = "".join(found)
    assert "the thirteenth has a counterexample" in text
    assert "not proved" not in text
    assert "No result changes." in text


def test_a_guarantee_that_is_refuted_is_never_told_as_proved() -> None:
    rules = (
        SMALL
        + """
guarantee "nothing critical leaves"
  from "an invented procedure"
  never release when result is critical

guarantee "nothing without an index leaves"
  from "an invented procedure"
  never release potassium when hemolysis is not known
"""
    )
    program = program_of(rules)
    run = run_suite({"small.rules": rules})
    assert run is not None
    solved = prove(program)
    proofs = of_proofs(solved)
    assert proofs.look
    found = pages(validation_file(evidence(run, proofs=proofs)))
    assert squeezed("1 of 2 proved, 1 REFUTED by a counterexample") in squeezed(found[0])
    text = body(found)
    assert squeezed("Counterexample to “nothing without an index leaves”") in text
    assert squeezed("nothing critical leaves proved") in text
    assert squeezed("nothing without an index leaves refuted") in text
    (example,) = (item.counterexample for item in solved.proofs if item.counterexample)
    assert squeezed(example.scenario) in text


def test_what_a_rule_does_is_told_in_sentences_with_the_scenarios_that_touch_it() -> None:
    silent = "  given potassium 3.5 mmol/L, hemolysis 0.1 g/L\n  expect lysed not fired\n"
    text = body(pages(validation_file(evidence(run_of(*ALL, silent)))))
    for said in (
        "Holds the result when hemolysis index is at least 0.5 g/L and the result is more than 4.0",
        "Where a fact for this is not known, this rule says nothing.",
        "Not when ward is dialysis (they know).",
        "Speaks up when the result is less than 3.0 mmol/L.",
        "Adds the comment “low”.",
        "fires in scenarios case 0 case 5",
        "asked and silent in case 6 and 4 that are not about it",
    ):
        assert squeezed(said) in text, said


def folder(tmp_path: Path, *scenarios: str) -> Path:
    text = "".join(f'\nscenario "case {n}"\n{said}' for n, said in enumerate(scenarios))
    rules = SMALL.replace("hemolysis >= 0.5 g/L", "hemolysis >= lysed_from") + text
    rules += '\nparameter lysed_from = 0.5 g/L\n  from "an invented procedure"\n'
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "small.rules").write_text(rules, encoding="utf-8")
    return tmp_path / "rules"


def test_the_command_writes_both_forms_and_the_same_ones_for_the_same_time(tmp_path: Path) -> None:
    path = str(folder(tmp_path, *ALL))
    page, one, two = (tmp_path / name for name in ("a.html", "a.pdf", "b.pdf"))
    at = ["--at", "2026-03-01T09:30+00:00", "--by", "Somebody Invented"]
    assert main(["rules", "report", path, "--out", str(page), "--pdf", str(one), *at]) == 0
    assert main(["rules", "report", path, "--pdf", str(two), *at]) == 0
    assert one.read_bytes() == two.read_bytes()
    html = page.read_text(encoding="utf-8")
    assert "Somebody Invented" in html
    assert "2026-03-01 09:30 UTC" in html
    assert "<script" not in html
    assert "Somebody Invented" in PdfReader(one).pages[0].extract_text()


def test_the_command_tests_the_rules_as_a_site_uses_them(tmp_path: Path) -> None:
    path = folder(tmp_path, WOMAN)
    site = tmp_path / "site.toml"
    site.write_text(
        'laboratory = "Invented Laboratory"\n[parameters]\nlysed_from = "0.9 g/L"\n'
        "[connections.a]\nport = 0\n",
        encoding="utf-8",
    )
    out = tmp_path / "a.pdf"
    assert main(["rules", "report", str(path), "--pdf", str(out), "--config", str(site)]) == 1
    text = "".join(page.extract_text() for page in PdfReader(out).pages)
    assert "Invented Laboratory" in text
    assert "set by this site" in text
    assert "Scenarios that FAIL: 1. case 0." in text


def test_mistakes_that_nothing_notices_are_listed_with_a_scenario(tmp_path: Path) -> None:
    out = tmp_path / "a.pdf"
    path = str(folder(tmp_path, WOMAN))
    more = ["--mutate", "--jobs", "1", "--limit", "12"]
    assert main(["rules", "report", path, "--pdf", str(out), *more]) == 0
    found = [page.extract_text() for page in PdfReader(out).pages]
    survived = re.search(r"12 of (\d+) were put in, (\d+) of them NOT NOTICED", found[0])
    assert survived is not None
    assert int(survived[1]) > 12
    assert int(survived[2]) > 0
    assert 'scenario "' in "".join(found)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ([], "--out FILE.html"),
        (["--pdf", "a.pdf", "--at", "soon"], "this is no time"),
        (["--pdf", "a.pdf", "--at", "2026-03-01T09:30"], "the zone is missing"),
        (["--pdf", "no/such/folder/a.pdf"], "No such file or directory"),
    ],
)
def test_wrong_use_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], said: str
) -> None:
    args = [str(tmp_path / arg) if arg.endswith(".pdf") else arg for arg in more]
    assert main(["rules", "report", str(folder(tmp_path, WOMAN)), *args]) == 2
    assert said in capsys.readouterr().err
    assert not list(tmp_path.glob("*.pdf*"))


def test_a_rule_set_with_errors_gets_no_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = folder(tmp_path, "  given potassium 5\n  expect potassium held\n")
    assert main(["rules", "report", str(path), "--pdf", str(tmp_path / "a.pdf")]) == 2
    assert "the rule set has 1 error" in capsys.readouterr().err
    assert not (tmp_path / "a.pdf").exists()


def test_both_forms_say_the_same() -> None:
    document = validation_file(evidence(run_of(*ALL)))
    html = re.sub(r"<style>.*?</style>|<[^>]*>", " ", as_html(document), flags=re.DOTALL)
    for word in set(re.findall(r"[a-z]{4,}", "".join(pages(document)).replace("\n", " "))):
        assert word in html or word in squeezed(html), word
