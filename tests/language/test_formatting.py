"""`verifier rules format`: canonical, keeps comments and meaning, and has nothing left to do."""

import re
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import HEAD, SHIPPED
from test_any_text import WHOLE, WORDS
from test_identity import FILES, MANUAL, STATEMENTS, identity, spaced

from verifier.cli import main
from verifier.language import CODES, check, explaining
from verifier.language.formatting import formatted
from verifier.language.source import Source

RIGHT = [e.text for code in sorted(CODES) for e in explaining.examples(code) if e.right]
README = (SHIPPED / "README.md").read_text(encoding="utf-8")
RIGHT += re.findall(r"^```rules\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)


def comments(text: str) -> list[str]:
    """Return the comments of a file in order."""
    source = Source("", text)
    pairs = zip(source.lines, source.masked.split("\n"), strict=True)
    found = [line[len(masked.rstrip()) :].strip() for line, masked in pairs]
    return [comment for comment in found if comment]


def laid(text: str) -> str:
    out = formatted(text)
    assert out is not None
    return out


def shaken(statements: list[str], random: Random) -> str:
    """Return statements in another order, with other spacing and more comments."""
    pieces = [spaced(s, random) for s in statements]
    random.shuffle(pieces)
    loose = ["", "\n", "\n\n\n", "# between\n", "\n# between\n\n", "   # indented\n", "\t\n"]
    return "".join(random.choice(loose) + piece for piece in pieces) + random.choice(loose)


@pytest.mark.parametrize("statements", [STATEMENTS, MANUAL], ids=["shipped", "manual"])
@settings(deadline=None, max_examples=8)
@given(seed=st.integers(0, 2**32 - 1))  # a seed: so many draws are more than hypothesis keeps
def test_any_layout_is_laid_out_once_and_for_all(statements: list[str], seed: int) -> None:
    text = shaken(statements, Random(seed))
    once = laid(text)
    assert laid(once) == once
    assert identity(once) == identity(text)
    assert comments(once) == comments(text)
    assert not re.search(r"[ \t]$", once, re.MULTILINE)
    assert not re.search(r"\n\n\n|\A\n|\n\n\Z", once)


@settings(deadline=None, max_examples=60)
@given(st.sampled_from([*STATEMENTS, *MANUAL]), st.randoms(use_true_random=False))
def test_one_layout_for_all_spacings(statement: str, random: Random) -> None:
    def stretched(line: str) -> str:
        parts = re.split(r'("[^"\n]*")', line)
        parts[::2] = [re.sub(r"(?<=\S) +", lambda m: " " * random.randint(1, 5), p)
                      for p in parts[::2]]  # fmt: skip
        return "".join(parts) + " " * random.randint(0, 2)

    factor = random.randint(1, 3)
    lines = [re.sub(r"^ +", lambda m: m.group() * factor, ln) for ln in statement.split("\n")]
    other = "\n".join(stretched(line) + random.choice(["", "\n  "]) for line in lines)
    assert laid(other) == laid(statement)


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
def test_line_ends_become_one_kind(ending: str) -> None:
    for text in FILES.values():
        assert laid(text.replace("\n", ending)) == laid(text)


@pytest.mark.parametrize("text", RIGHT)
def test_examples_keep_their_meaning(text: str) -> None:
    once = laid(text)
    assert laid(once) == once
    before, after = check({"a": text}).program, check({"a": once}).program
    assert (before and before.identity) == (after and after.identity)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, len(WHOLE)), st.integers(0, 30), st.sampled_from(["", *WORDS]))
def test_what_can_not_be_read_is_left_alone(start: int, length: int, word: str) -> None:
    text = WHOLE[:start] + word + WHOLE[start + length :]
    once = formatted(text)
    if once is None:
        return
    assert formatted(once) == once
    assert comments(once) == comments(text)
    first, second = check({"a": text}), check({"a": once})
    assert (first.program is None) == (second.program is None)
    if first.program and second.program:
        assert first.program.identity == second.program.identity


@settings(deadline=None)
@given(st.text(alphabet=' \t\n\r"#(abc,', max_size=60))
def test_any_text(text: str) -> None:
    once = formatted(text)
    assert once is None or formatted(once) == once


def test_the_layout() -> None:
    text = (
        "population adult age>=18 years # of age\npopulation x\tadult and\n not (sex is male)\n"
        "   # belongs to x\n#free\n\n\nlimits for potassium   from 'x'\n".replace("'", '"')
        + '    critical   adult  below 2.8,above 6.2\n\n    reference  3.5 to 5.1 from "s"\n'
        '# inside\n    change at most 20% within 3 days\nrule r  for potassium from "s"\n'
        ' hold   when potassium>- 5 mmol/L  * min( 1,2 )\n   or(x)\n because "a  b"\n'
        ' except when x( "why" )\n'
    )
    assert laid(text) == (
        "population adult  age >= 18 years  # of age\n\n"
        "population x  adult and\n"
        "            not (sex is male)\n"
        "  # belongs to x\n\n"
        "#free\n\n"
        'limits for potassium  from "x"\n'
        "  critical    adult  below 2.8, above 6.2\n"
        '  reference          3.5 to 5.1                  from "s"\n'
        "  # inside\n"
        "  change             at most 20 % within 3 days\n\n"
        'rule r for potassium  from "s"\n'
        "  hold when potassium > -5 mmol/L * min(1, 2)\n"
        "            or (x)\n"
        '  because   "a  b"\n'
        '  except when x ("why")\n'
    )


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = tmp_path / "deep" / "a.rules", tmp_path / "b.rules"
    good.parent.mkdir()
    good.write_bytes(HEAD.replace("\n", "\r\n").encode())
    assert main(["rules", "format", str(tmp_path), "--check"]) == 1
    assert "deep/a.rules: is not laid out" in capsys.readouterr().out
    assert b"\r" in good.read_bytes()
    assert main(["rules", "format", str(tmp_path)]) == 0
    assert good.read_bytes() == laid(HEAD).encode()
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == ["a.rules"]
    capsys.readouterr()
    assert main(["rules", "format", str(tmp_path), "--check"]) == 0
    assert capsys.readouterr().out == ""
    bad.write_text("rule  x  for\n", encoding="utf-8")
    assert main(["rules", "format", str(tmp_path)]) == 1
    assert "b.rules: can not be read" in capsys.readouterr().out
    assert bad.read_text(encoding="utf-8") == "rule  x  for\n"
    assert main(["rules", "format", str(tmp_path / "none")]) == 2


def test_the_shipped_rules_are_laid_out(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "format", str(SHIPPED), "--check"]) == 0
    assert capsys.readouterr().out == ""


def test_what_is_too_large_is_not_laid_out() -> None:
    assert formatted("# a comment\n" * 100_000) is None
