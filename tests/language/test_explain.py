"""Every code has a page, and the examples of the pages do what the pages say."""

from pathlib import Path

import pytest

from verifier.cli import main
from verifier.language import CODES, explaining
from verifier.rulefiles import load_folder

PAGES = Path(explaining.__file__).parent / "pages"
EXAMPLES = [(code, example) for code in sorted(CODES) for example in explaining.examples(code)]


def findings(example: explaining.Example, folder: Path) -> list[str]:
    """Return the codes found in an example, with the statements it stands beside."""
    if "alone" not in example.marks:
        (folder / "bench.rules").write_text(explaining.bench(), encoding="utf-8")
    encoding = "latin-1" if "latin-1" in example.marks else "utf-8"
    (folder / "example.rules").write_text(example.text, encoding=encoding)
    return [d.code for d in load_folder(folder).diagnostics]


def test_the_codes_are_the_pages() -> None:
    assert {path.stem for path in PAGES.glob("*.md")} == set(CODES)


@pytest.mark.parametrize("code", sorted(CODES))
def test_a_page_has_its_title_words_and_both_examples(code: str) -> None:
    text = explaining.page(code)
    assert text.split("\n")[0] == f"# {code}  {CODES[code]}"
    assert len(text.split("Wrong:")[0].split()) >= 25
    assert {example.right for example in explaining.examples(code)} == {True, False}


IDS = [f"{code}-{'right' if example.right else 'wrong'}" for code, example in EXAMPLES]


@pytest.mark.parametrize(("code", "example"), EXAMPLES, ids=IDS)
def test_the_examples(code: str, example: explaining.Example, tmp_path: Path) -> None:
    assert set(findings(example, tmp_path)) == (set() if example.right else {code})


def test_the_command_prints_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "r204"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("R204  a number needs a unit\n")
    assert "\n      hold when result > 6.2\n" in said
    assert "```" not in said


def test_the_command_lists_all_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == sorted(CODES)


def test_an_unknown_code_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "R999"]) == 2
    assert "R999" in capsys.readouterr().err
