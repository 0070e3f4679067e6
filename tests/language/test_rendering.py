"""One finding, three forms: terminal, JSON and HTML say the same."""

import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from scenes import HEAD

from verifier.cli import main
from verifier.language import CODES, Diagnostic, check, explaining, rendering

TRICKY = Diagnostic(
    "R200", "<b>.rules", 1, 3, 5, "error", "a < b & \"c\"", "x > y", "<script>", ("z & z",)
)  # fmt: skip


def found() -> list[tuple[Diagnostic, list[str]]]:
    """Return findings of every code whose page has an ordinary wrong example."""
    pairs = []
    for code in sorted(CODES):
        for example in explaining.examples(code):
            if not example.right and not example.marks:
                files = {"bench.rules": explaining.bench(), "e.rules": example.text}
                lines = {name: text.split("\n") for name, text in files.items()}
                pairs += [(d, lines[d.file]) for d in check(files).diagnostics]
    return pairs


class Words(HTMLParser):
    """Collects the text of a page and the tags it uses."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text, self.open, self.seen = "", [], set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def words(html: str) -> Words:
    reader = Words()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader


@pytest.mark.parametrize(
    ("finding", "lines"), [*found(), (TRICKY, ["ab<cd>"])], ids=lambda x: getattr(x, "code", "")
)
def test_the_three_forms_say_the_same(finding: Diagnostic, lines: list[str]) -> None:
    terminal = rendering.render(finding, lines)
    plain = json.loads(json.dumps(rendering.as_json(finding, lines)))
    html = words(rendering.as_html(finding, lines))
    said = [finding.message, finding.meaning, finding.fix, *finding.related, finding.code]
    said += [CODES[finding.code], f"verifier explain {finding.code}"]
    values = [plain[key] for key in ("message", "meaning", "fix", "code", "title", "more")]
    for text in said:
        assert text in terminal
        assert text in html.text
        assert text in [*values, *plain["related"]]
    assert (plain["line"], plain["column"], plain["end"]) == (
        finding.line, finding.column, finding.end,
    )  # fmt: skip
    assert plain["text"].strip() in html.text
    assert not html.seen & {"script", "style", "b.rules"}


def test_the_html_page_stands_alone_and_marks_the_words() -> None:
    text = HEAD + 'rule r for potassium\n  from "s"\n  hold when result > 5\n  because "x"\n'
    page = rendering.html_page("Rules", check({"a": text}).diagnostics, {"a": text.split("\n")})
    assert "<mark>5</mark>" in page
    assert "http" not in page
    words(page)
    words(rendering.html_page("Rules", (), {}))


BAD = 'rule r for potasium\n  from "s"\n  hold when result > 5 mmol/L\n  because "x"\n'


def test_color_only_for_a_terminal_that_wants_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.rules").write_text(BAD, encoding="utf-8")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert main(["rules", "check", str(tmp_path)]) == 1
    assert "\x1b" not in capsys.readouterr().out
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    assert main(["rules", "check", str(tmp_path)]) == 1
    assert "\x1b" in capsys.readouterr().out
    monkeypatch.setenv("NO_COLOR", "1")
    assert main(["rules", "check", str(tmp_path)]) == 1
    assert "\x1b" not in capsys.readouterr().out


def test_the_command_writes_html(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.rules").write_text(BAD, encoding="utf-8")
    assert main(["rules", "check", str(tmp_path), "--html"]) == 1
    out = capsys.readouterr().out
    assert out.startswith("<!doctype html>")
    assert "<mark>potasium</mark>" in out


def test_signs_that_can_not_be_seen_are_shown() -> None:
    line = "  hold when \x1b[31mresult \u202e> 5\x9b mmol/L"
    finding = Diagnostic("R200", "a\x1b.rules", 1, 1, 4, "error", "\u202e", fix="\x1b[2J")
    for shown in (rendering.render(finding, [line]), rendering.as_html(finding, [line])):
        assert "\ufffd" in shown
        assert all(part.isprintable() for part in shown.split("\n"))
