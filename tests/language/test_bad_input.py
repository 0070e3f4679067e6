"""Files that are no rule files: a clear finding, in bounded time and memory, never an exception.

That the checks below end is the bound: without their limits several run for hours.
"""

import random
from itertools import cycle, islice

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import HEAD, SHIPPED
from test_any_text import survives

from verifier.language import Checked, Diagnostic, check
from verifier.rulefiles import read_files

FILES, _ = read_files(SHIPPED)
RULE = 'rule r for potassium\n  from "s"\n  hold when {}\n  because "x"\n'
TEN_MEGABYTES = 10 * 2**20


def errors(checked: Checked) -> list[Diagnostic]:
    assert checked.program is None
    return [d for d in checked.diagnostics if d.severity == "error"]


# --- size ---


@pytest.mark.parametrize("piece", ["xxxx\n", "(", "\0", '"', "  unit mmol/L\n", "# c\n", RULE])
def test_ten_megabytes_are_refused_in_one_sentence(piece: str) -> None:
    text = (piece * (TEN_MEGABYTES // len(piece) + 1))[:TEN_MEGABYTES]
    (finding,) = errors(check({"small.rules": HEAD, "big.rules": text}))
    assert (finding.code, finding.file) == ("R200", "big.rules")
    assert "10,48" in finding.message


def test_many_files_are_as_bad_as_one() -> None:
    files = {f"{n}.rules": HEAD * 2000 for n in range(5)}
    assert [d.code for d in errors(check(files))] == ["R200"]


@pytest.mark.parametrize(
    ("begin", "piece"),
    [
        ("", "xxxx\n"),
        ("test a\n", "  unit mmol/L\n"),
        ("test a\n", '  "\n'),
        ("test a\n", "  nothing here\n"),
        ("test a ", " "),
        ("", "\r"),
        ("", "\r\n\n"),
        ('test a "', "a"),
        ("rule r for potassium\n  hold when ", "not "),
        ("rule r for potassium\n  hold when ", "potassium > 5 mmol/L and "),
        ("group g a, ", "b, "),
    ],
)
def test_the_largest_file_that_is_read(begin: str, piece: str) -> None:
    text = HEAD + begin + piece * (250_000 // len(piece))
    assert errors(check({"a.rules": text}))


@pytest.mark.parametrize("depth", [200, 10_000])
def test_ten_thousand_nested_parentheses(depth: int) -> None:
    condition = "(" * depth + "potassium > 5 mmol/L" + ")" * depth
    found = errors(check({"a.rules": HEAD + RULE.format(condition)}))
    assert [d.code for d in found] == ["R102"]


# --- signs nobody sees ---


@pytest.mark.parametrize("sign", ["\0", "\x1b", "\x85", "\u200b", "\u2028", "\u202e", "\u2067"])
@pytest.mark.parametrize("place", ["  hold when", '"s"', 'because "x', "# note", "rule r"])
def test_an_invisible_sign_is_one_finding_at_its_place(sign: str, place: str) -> None:
    text = HEAD + "# note\n" + RULE.format("result > 5 mmol/L")
    assert check({"a.rules": text}).program is not None
    at = text.index(place) + len(place) // 2
    (finding,) = errors(check({"a.rules": text[:at] + sign + text[at:]}))
    line = text.count("\n", 0, at) + 1
    assert (finding.code, finding.line) == ("R200", line)
    assert f"U+{ord(sign):04X}" in finding.message


def test_a_comment_with_a_mark_of_direction_is_refused_too() -> None:
    text = HEAD + RULE.format("result > 5 mmol/L  # \u202e careful")
    assert [d.code for d in errors(check({"a.rules": text}))] == ["R200"]


# --- line ends ---


@given(st.lists(st.sampled_from(["\n", "\r\n", "\r"]), min_size=3, max_size=9))
@settings(max_examples=4, deadline=None)
def test_line_ends_of_every_kind_mean_the_same(ends: list[str]) -> None:
    plain = check(FILES)
    mixed = {}
    for name, text in FILES.items():
        lines = [line or " " for line in text.split("\n")]  # a lone \r before a \n would be one end
        mixed[name] = "".join(a + b for a, b in zip(lines, cycle(ends), strict=False))
    found = check(mixed)
    assert found.program is not None
    assert plain.program is not None
    assert found.program.identity == plain.program.identity
    places = [(d.file, d.line, d.column) for d in found.diagnostics]
    assert places == [(d.file, d.line, d.column) for d in plain.diagnostics]


# --- the shipped rules, damaged ---

TOKENS = [token for text in FILES.values() for token in text.replace("\n", " \n ").split(" ")]
SIGNS = ["(", ")", '"', "{", "}", ",", "\n", "\n  ", "not", "and", "within", "%", "1e9", "-", "\0"]


def damaged(seed: int) -> str:
    """Return a shipped file with words swapped, doubled, dropped, and lines moved."""
    chance = random.Random(seed)
    words = chance.choice([*FILES.values()]).replace("\n", " \n ").split(" ")
    for _ in range(chance.choice((1, 1, 2, 5, 20))):
        at = chance.randrange(len(words))
        match chance.randrange(6):
            case 0:
                words[at] = chance.choice(TOKENS)
            case 1:
                words.insert(at, chance.choice(SIGNS))
            case 2:
                del words[at]
            case 3:
                words[at : at + 3] = reversed(words[at : at + 3])
            case 4:
                words[at] = words[at] * chance.choice((2, 50))
            case 5:
                words[at:at] = words[chance.randrange(len(words)) :][:12]
        words = words or [""]
    return " ".join(words)


@given(st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_damaged_rules_are_findings_never_exceptions(seed: int) -> None:
    names = [*islice(cycle(FILES), seed % len(FILES), seed % len(FILES) + 2)]
    survives("\n".join([damaged(seed), *(FILES[name] for name in names)]))
