"""Lays a rule file out in the one canonical way. Only spacing changes: words, comments, order stay.

A statement begins at the margin and is followed by its clauses, one to a line. Rows of limits stand
in columns. A clause its author broke over several lines stays broken there.
"""

from collections.abc import Iterator, Sequence
from itertools import takewhile
from typing import NamedTuple

from lark import Token, UnexpectedInput

from verifier.language.reader import parser
from verifier.language.ruleset import MOST_CHARACTERS
from verifier.language.source import Source, Statement

_CLAUSE = "  "
_CONTENT = 10  # columns of a clause before what it says: `hold when ` and `report as ` fill them
_CONTINUED = _CLAUSE + " " * _CONTENT
_KIND = len("autorelease ")
# Clauses of one word whose content stands in a column.
_LABELS = {"from", "because", "code", "in", "unit", "formula", "let", "for", "flag", "comment"}
_CALLED = {  # words of the language that are called like a function
    "change", "rcv", "day", "hour", "preceding",
}  # fmt: skip
# Of a number: a sign behind it is minus.
_ENDS = {"NUMBER", "DILUTION", "UNIT", "NAME", "RPAR", "RESULT", "AGE", "YEARS"}


class Line(NamedTuple):
    """One line of a file: its words, its comment, and whether a clause begins with it."""

    words: tuple[Token, ...]
    comment: str
    begins: bool
    indented: bool


def formatted(text: str) -> str | None:
    """Return the text of a rule file laid out, None where it can not be read."""
    if len(text) > MOST_CHARACTERS:
        return None
    source = Source("", text)
    statements = source.statements()
    try:
        lines = _lines(source, statements)
    except UnexpectedInput:
        return None
    heads = [source.place(s.span(0, 1)).line - 1 for s in statements]
    out: list[str] = []
    waiting = _loose(lines[: heads[0]] if heads else lines)
    tall = False  # of the statement before: one with clauses stands apart
    ends = [*heads[1:], len(lines)][: len(heads)]
    for head, end in zip(heads, ends, strict=True):
        body, rest = _divided(lines[head:end])
        apart = out and (tall or len(body) > 1) and waiting[:1] != [""]
        out += ["", *waiting] if apart else waiting
        out += _laid_out(body)
        waiting, tall = _loose(rest), len(body) > 1
    return "".join(f"{line}\n" for line in _trimmed([*out, *waiting]))


def _trimmed(lines: list[str]) -> list[str]:
    """Return the lines without blank ones at either end."""
    full = [number for number, line in enumerate(lines) if line]
    return lines[full[0] : full[-1] + 1] if full else []


def _loose(lines: Sequence[Line]) -> list[str]:
    """Return the comments between statements, at the margin, with single blank lines."""
    out: list[str] = []
    for line in lines:
        if line.comment or out[-1:] != [""]:
            out.append(line.comment)
    return out


def _lines(source: Source, statements: Sequence[Statement]) -> list[Line]:
    """Return the lines of a file with their words; raises lark's error for what is no statement."""
    words: dict[int, list[Token]] = {}
    begins: set[int] = set()
    for statement in statements:
        first = source.place(statement.span(0, 1)).line - 1
        begins.add(first)
        for token in _words(statement.text):
            at = token.start_pos or 0
            line = source.place(statement.span(at, at + 1)).line - 1
            if token.type == "_NEWLINE":
                end = token.end_pos or at
                begins.add(source.place(statement.span(end, end + 1)).line - 1)
            else:
                words.setdefault(line, []).append(token)
    made = []
    for number, (written, masked) in enumerate(
        zip(source.lines, source.masked.split("\n"), strict=True)
    ):
        comment = written[len(masked.rstrip()) :].strip()
        here = tuple(words.get(number, ()))
        made.append(Line(here, comment, number in begins, written[:1].isspace()))
    return made


def _words(text: str) -> Iterator[Token]:
    reading = parser().parse_interactive(text)
    yield from reading.iter_parse()
    reading.feed_eof()  # type: ignore[no-untyped-call]


def _divided(lines: list[Line]) -> tuple[list[Line], list[Line]]:
    """Return the lines of a statement without blank ones, and the lines behind it.

    Indented comments right behind a statement belong to it.
    """
    end = 1 + max((n for n, line in enumerate(lines) if line.words), default=0)
    own = list(takewhile(lambda line: line.indented or not line.comment, lines[end:]))
    end += max((n + 1 for n, line in enumerate(own) if line.comment), default=0)
    return [line for line in lines[:end] if line.words or line.comment], lines[end:]


def _laid_out(body: list[Line]) -> list[str]:
    """Return a statement as lines of text."""
    head = body[0].words[0] if body[0].words else ""
    table = _Table(body) if head == "limits" else None
    out = []
    for number, line in enumerate(body):
        if not line.words:
            text = _CLAUSE if number else ""
        elif not line.begins:
            text = _CONTINUED + _joined(line.words)
        elif number == 0:
            text = _joined(line.words, head=True)
        elif table and table.is_row(line):
            text = _CLAUSE + table.row(line)
        else:
            text = _CLAUSE + _clause(line.words)
        gap = "  " if line.words and line.comment else ""
        out.append((text + gap + line.comment).rstrip())
    return out


def _clause(words: Sequence[Token]) -> str:
    label = str(words[0])
    if label in _LABELS and words[0].type != "NAME":
        return f"{label:<{_CONTENT}}{_joined(words[1:])}"
    return _joined(words)


class _Table:
    """The rows of a limits statement in columns: kind, whom it is for, values, source."""

    def __init__(self, body: list[Line]) -> None:
        cells = [self._cells(line.words) for line in body if self.is_row(line)]
        self._whom = max((len(whom) for _, whom, _, _ in cells), default=0)
        self._values = max((len(values) for _, _, values, _ in cells), default=0)

    def is_row(self, line: Line) -> bool:
        return line.begins and bool(line.words) and line.words[0] not in ("limits", "from")

    def row(self, line: Line) -> str:
        kind, whom, values, source = self._cells(line.words)
        text = f"{kind:<{_KIND}}"
        text += f"{whom:<{self._whom}}  " if self._whom else ""
        return f"{text}{values:<{self._values}}  {source}" if source else text + values

    def _cells(self, words: Sequence[Token]) -> tuple[str, str, str, str]:
        whom = list(takewhile(lambda word: word.type in ("NAME", "IN"), words[1:]))
        rest = words[1 + len(whom) :]
        values = list(takewhile(lambda word: word != "from", rest))
        source = rest[len(values) :]
        return str(words[0]), _joined(whom), _joined(values), _joined(source)


def _joined(words: Sequence[Token], head: bool = False) -> str:
    """Return words with the space that belongs between them."""
    out = ""
    for number, word in enumerate(words):
        text = f"({word.strip('() ')})" if word.type == "LABEL" else str(word)
        if head and number == 2:
            out += "  " if words[0] in ("population", "group") else " "
        elif number:
            out += _glue(words[max(number - 2, 0) : number], word)
        out += text
    return out


def _glue(before: Sequence[Token], word: Token) -> str:
    """Return the space between a word and the last of the two before it."""
    last = before[-1]
    if last == "(" or word in (")", ","):
        return ""
    if word == "(":
        return "" if last.type == "NAME" or last in _CALLED else " "
    if last.type == "SIGN" and (len(before) == 1 or before[0].type not in _ENDS):
        return ""
    return "  " if word.type in ("FROM", "DECIMALS") else " "
