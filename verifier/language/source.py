"""The text of a rule file: places in it, and its division into statements.

A statement begins at the left margin; its clauses are the indented lines below it. A line indented
deeper than the first clause continues the line above. Everything else about spacing is free.
"""

import re
from dataclasses import dataclass
from typing import NamedTuple

# Control signs, line ends only some editors know, marks of direction and of no width.
HIDDEN = re.compile("[\x00-\x08\x0e-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]")
_COMMENT = re.compile(r'"[^"\n]*"|#[^\n]*')
# Statements without clauses: every further line continues the header.
_WHOLE = {"group", "population"}


class Span(NamedTuple):
    """A stretch of a file: character offsets, the end excluded."""

    file: str
    start: int
    end: int


class Place(NamedTuple):
    """A position for people: line and column count from 1; `end` is the column after the last."""

    line: int
    column: int
    end: int


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement. `text` has comments blanked and one newline per clause; lengths are kept."""

    file: str
    start: int
    text: str

    def span(self, start: int, end: int) -> Span:
        """Return the span in the file of a stretch of this statement."""
        return Span(self.file, self.start + start, self.start + end)


class Source:
    """One rule file as written, able to tell where an offset stands."""

    def __init__(self, file: str, text: str) -> None:
        self.file, self.text = file, text.replace("\r\n", " \n").replace("\r", "\n")
        self.lines = self.text.split("\n")
        self.masked = HIDDEN.sub(" ", _COMMENT.sub(_blank_comment, self.text))
        self._starts = [0]
        for line in self.lines:
            self._starts.append(self._starts[-1] + len(line) + 1)

    def place(self, span: Span) -> Place:
        """Return the line and columns of a span; one that runs over lines ends with its first."""
        line = self._line_of(span.start)
        start = self._starts[line]
        end = min(span.end, start + len(self.lines[line]))
        column = span.start - start + 1
        return Place(line + 1, column, max(end - start + 1, column + 1))

    def _line_of(self, offset: int) -> int:
        low, high = 0, len(self.lines) - 1
        while low < high:
            middle = (low + high + 1) // 2
            if self._starts[middle] <= offset:
                low = middle
            else:
                high = middle - 1
        return low

    def statements(self) -> list[Statement]:
        """Return the statements in order; indented text before the first is one of its own."""
        masked = self.masked.split("\n")
        heads = [n for n, line in enumerate(masked) if line[:1].strip()]
        first = next((n for n, line in enumerate(masked) if line.strip()), None)
        if first is not None and (not heads or first < heads[0]):
            heads.insert(0, first)
        ends = [*heads[1:], len(masked)][: len(heads)]
        return [
            Statement(self.file, self._starts[head], _joined(masked[head:end]))
            for head, end in zip(heads, ends, strict=True)
        ]


def _blank_comment(match: re.Match[str]) -> str:
    found = match.group()
    return found if found.startswith('"') else " " * len(found)


def _joined(lines: list[str]) -> str:
    head = lines[0]
    if head.split(maxsplit=1)[0] in _WHOLE:
        return " ".join(lines).rstrip()
    depth: int | None = None
    text = head
    for line in lines[1:]:
        blank = not line.strip()
        indent = len(line.expandtabs()) - len(line.expandtabs().lstrip())
        depth = indent if depth is None and not blank else depth
        continues = blank or (depth is not None and indent > depth)
        text += (" " if continues else "\n") + line
    return text.rstrip()
