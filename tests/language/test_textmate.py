"""The grammar for editors is the language's own: every word of the one is in the other."""

import json
import re
from pathlib import Path

import pytest
from scenes import SHIPPED

from verifier.cli import main
from verifier.language import textmate

LARK = (Path(textmate.__file__).parent / "grammar.lark").read_text(encoding="utf-8")
WRITTEN = re.sub(r"^//.*$", "", LARK, flags=re.MULTILINE)
KEYWORDS = sorted(set(re.findall(r'"([A-Za-z][A-Za-z-]+)"', WRITTEN)))


def scopes(line: str) -> list[tuple[str, str]]:
    """Return the words of a line with their scopes, as an editor finds them."""
    found, at = [], 0
    patterns = textmate.grammar()["patterns"]
    while at < len(line):
        starts = [
            (re.compile(p.get("match", p.get("begin"))).search(line, at), p) for p in patterns
        ]
        hits = [(m.start(), n, m, p) for n, (m, p) in enumerate(starts) if m]
        if not hits:
            break
        _, _, match, pattern = min(hits, key=lambda hit: hit[:2])
        if "begin" in pattern:
            close = re.compile(pattern["end"]).search(line, match.end())
            assert close is not None
            found.append((line[match.start() : close.end()], pattern["name"]))
            at = max(close.end(), match.end())
            continue
        for group, capture in pattern.get("captures", {"0": pattern}).items():
            if match.group(int(group)):
                found.append((match.group(int(group)), capture["name"]))
        at = max(match.end(), at + 1)
    return [(text, scope.removesuffix(".laboratory-rules")) for text, scope in found]


@pytest.mark.parametrize("word", KEYWORDS)
def test_every_keyword_of_the_grammar_is_a_keyword(word: str) -> None:
    assert word in textmate.keywords()
    ((text, scope),) = scopes(f"  {word}")
    assert (text, scope) == (word, "keyword.other")
    assert scopes(f"  un{word.replace('-', '_')}x") == []


def test_there_are_no_other_keywords() -> None:
    assert len(KEYWORDS) > 60
    assert textmate.keywords() == sorted(KEYWORDS, key=lambda word: (-len(word), word))


def test_a_line_is_told_apart() -> None:
    assert scopes("  hold when hemolysis >= 0.5 g/L and ln(x) > 3  # why") == [
        ("hold", "keyword.other"), ("when", "keyword.other"), (">=", "keyword.operator"),
        ("0.5", "constant.numeric"), ("g/L", "support.constant.unit"), ("and", "keyword.other"),
        ("ln", "support.function"), (">", "keyword.operator"), ("3", "constant.numeric"),
        ("# why", "comment.line.number-sign"),
    ]  # fmt: skip
    assert scopes('rule hemolysed-potassium for potassium from "a # b"') == [
        ("rule", "keyword.control"), ("hemolysed-potassium", "entity.name.type"),
        ("for", "keyword.other"), ("from", "keyword.other"), ('"a # b"', "string.quoted.double"),
    ]  # fmt: skip
    assert scopes('  code LOINC 2823-3, local "K"') == [
        ("code", "keyword.other"), ("LOINC", "keyword.other"), ("2823-3", "constant.other.code"),
        ("local", "keyword.other"), ('"K"', "string.quoted.double"),
    ]  # fmt: skip
    assert scopes("  critical adult 2.8 or below, above 6.2 %") == [
        ("critical", "keyword.other"), ("2.8", "constant.numeric"), ("or", "keyword.other"),
        ("below", "keyword.other"), ("above", "keyword.other"), ("6.2", "constant.numeric"),
        ("%", "support.constant.unit"),
    ]  # fmt: skip
    assert scopes("  critical 1:640 or above") == [
        ("critical", "keyword.other"), ("1:640", "constant.numeric"), ("or", "keyword.other"),
        ("above", "keyword.other"),
    ]  # fmt: skip


def test_every_statement_of_the_shipped_rules_begins_with_a_keyword() -> None:
    heads = 0
    for path in SHIPPED.rglob("*.rules"):
        for line in path.read_text(encoding="utf-8").split("\n"):
            if line[:1].isalpha():
                heads += 1
                assert scopes(line)[0][1] == "keyword.control"
    assert heads > 30


def test_the_command_prints_the_grammar(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "textmate"]) == 0
    assert json.loads(capsys.readouterr().out) == textmate.grammar()
