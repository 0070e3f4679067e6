"""A rule set to read: every statement in sentences or as a table, beside its text."""

from collections.abc import Iterator, Mapping
from functools import lru_cache

from msgspec import Struct

from verifier.language import Program, tree
from verifier.language.highlighting import Piece, highlighted
from verifier.language.limitlist import LimitLine, limits_by_place
from verifier.language.sentences import Sentences
from verifier.language.source import Source, Span, Statement

_FIRST = {"rule": 0, "limits": 0, "scenario": 2}  # of what was found; the rest between
Files = tuple[tuple[str, str], ...]  # name and text


class Line(Struct, frozen=True):
    """One line of a file as it is shown, counted from 1."""

    number: int
    pieces: tuple[Piece, ...]


class Block(Struct, frozen=True):
    """One statement with the comments above it. `limits` are its rows as they are judged by."""

    file: str
    line: int
    kind: str
    name: str
    sentences: tuple[str, ...]
    limits: tuple[LimitLine, ...]
    source: str
    lines: tuple[Line, ...]
    sought: str


class Page(Struct, frozen=True):
    """One file. `about` is the first sentence of its comment at the top."""

    file: str
    about: str
    blocks: tuple[Block, ...]

    def count(self, kind: str) -> int:
        """Return how many statements of a kind there are; of limits, how many rows."""
        own = [block for block in self.blocks if block.kind == kind]
        return sum(len(block.limits) for block in own) if kind == "limits" else len(own)


class Book(Struct, frozen=True):
    """All files of a rule set, by name."""

    pages: Mapping[str, Page]

    def found(self, wanted: str) -> list[Block]:
        """Return the statements that have every wanted word in their text or sentences."""
        words = wanted.casefold().split()
        blocks = (block for page in self.pages.values() for block in page.blocks)
        found = [block for block in blocks if all(word in block.sought for word in words)]
        return sorted(found, key=lambda block: _FIRST.get(block.kind, 1))


@lru_cache(maxsize=4)
def book_of(files: Files, program: Program | None) -> Book:
    """Return the files of a rule set to read; `program` is what they were compiled to.

    Without one, because it has errors, there is only the text.
    """
    writer = _Writer(program)
    return Book({name: writer.page(Source(name, text)) for name, text in sorted(files)})


class _Writer:
    def __init__(self, program: Program | None) -> None:
        self._sentences = Sentences(program) if program else None
        statements = program.statements if program else ()
        self._declared = {(d.span.file, d.span.start): d for d in statements}
        self._limits = limits_by_place(program) if program else {}

    def page(self, source: Source) -> Page:
        return Page(source.file, _about(source.text), tuple(self._blocks(source)))

    def _blocks(self, source: Source) -> Iterator[Block]:
        """Yield the statements; each has the lines since the one before, the last the rest."""
        lines = [Line(n, pieces) for n, pieces in enumerate(highlighted(source.text), 1)]
        statements = source.statements()
        ended = 0
        for number, statement in enumerate(statements, 1):
            stop = statement.start + len(statement.text)
            last = source.place(Span(source.file, stop - 1, stop)).line
            last = len(lines) if number == len(statements) else last
            line = source.place(statement.span(0, 1)).line
            yield self._block(statement, line, _without_blank(lines[ended:last]))
            ended = last
        if not statements:
            yield self._block(Statement(source.file, 0, ""), 1, tuple(lines))

    def _block(self, statement: Statement, line: int, shown: tuple[Line, ...]) -> Block:
        declared = self._declared.get((statement.file, statement.start))
        kind, _, rest = statement.text.partition(" ")
        limits: list[LimitLine] = []
        said: list[str] = []
        if isinstance(declared, tree.Limits):
            limits = [item for row in declared.rows for item in self._limits.get(row.span, ())]
        elif declared and self._sentences:
            said = self._sentences.of(declared)
        return Block(
            file=statement.file,
            line=line,
            kind=kind,
            name=_name(declared, rest),
            sentences=tuple(said),
            limits=tuple(limits),
            source=getattr(declared, "source", ""),
            lines=shown,
            sought=" ".join([statement.text, *said]).casefold(),
        )


def _name(declared: tree.Declaration | None, rest: str) -> str:
    if isinstance(declared, tree.Limits):
        return ", ".join(word.text for word in declared.tests)
    return declared.name.text if declared else rest.split("\n")[0]


def _without_blank(lines: list[Line]) -> tuple[Line, ...]:
    """Leave out empty lines at both ends."""
    kept = [number for number, line in enumerate(lines) if line.pieces]
    return tuple(lines[kept[0] : kept[-1] + 1])


def _about(text: str) -> str:
    """Return the first sentence of the comment at the top of a file."""
    said: list[str] = []
    for line in text.split("\n"):
        if not line.startswith("#"):
            break
        said.append(line.strip("# "))
    return " ".join(said).split(". ")[0].rstrip(".")
