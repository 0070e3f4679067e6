"""What a document is made of: sections with paragraphs, tables and signature lines.

All texts are plain; nothing in them is markup. Frozen, so that the same document always gives the
same file.
"""

from datetime import datetime
from typing import Literal, TypeAlias

from msgspec import Struct

Tone: TypeAlias = Literal["", "strong", "quiet", "good", "bad", "code"]
"""How a text is set: "bad" is what must be looked at, "good" what is in order.

A tone only underlines what the words say; a reader who sees no difference misses nothing.
"""


class Cell(Struct, frozen=True):
    """One field of a table."""

    text: str
    tone: Tone = ""


class Column(Struct, frozen=True):
    """A column of a table; `share` is its width in proportion to the others."""

    title: str
    share: float = 1
    right: bool = False


class Table(Struct, frozen=True):
    """Rows of as many cells as there are columns; `empty` is said instead when there are none."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell | str, ...], ...]
    caption: str = ""
    empty: str = "none"


class Paragraph(Struct, frozen=True):
    """Running text; line breaks in it stay."""

    text: str
    tone: Tone = ""


class Points(Struct, frozen=True):
    """A list with a mark before each text."""

    texts: tuple[Cell | str, ...]


class Pairs(Struct, frozen=True):
    """Labels and what is said under each."""

    pairs: tuple[tuple[str, Cell | str], ...]


class Signatures(Struct, frozen=True):
    """A line to sign for each role, with room for the name and the date."""

    roles: tuple[str, ...]


class Mark(Struct, frozen=True):
    """A point of a chart. `label` is said where it stands out, and is written beside it."""

    x: float
    y: float
    label: str = ""


class Level(Struct, frozen=True):
    """A horizontal line across a chart, such as a mean or a limit."""

    y: float
    label: str
    tone: Literal["strong", "quiet"] = "quiet"


class Chart(Struct, frozen=True):
    """Marks in their order, joined by a line, over levels.

    `summary` says in words what the chart shows; `left` and `right` name the ends of the x axis.
    """

    summary: str
    marks: tuple[Mark, ...]
    levels: tuple[Level, ...] = ()
    left: str = ""
    right: str = ""


Block: TypeAlias = Paragraph | Table | Points | Pairs | Signatures | Chart


class Section(Struct, frozen=True):
    """A heading with what stands below it; `new_page` begins it on a page of its own."""

    title: str
    blocks: tuple[Block, ...] = ()
    sections: tuple["Section", ...] = ()
    new_page: bool = False


class Document(Struct, frozen=True):
    """A whole document.

    `made` is the time it was made, with a zone. `foot` stands on every page, for example the hash
    of the rule set. `first` is the first page; `contents` puts a list of sections behind it.
    """

    title: str
    made: datetime
    foot: str
    first: tuple[Block, ...]
    sections: tuple[Section, ...]
    subtitle: str = ""
    contents: bool = True


def cell(value: Cell | str) -> Cell:
    """Return a field as a cell."""
    return value if isinstance(value, Cell) else Cell(value)


def signs(text: str) -> str:
    """Return a text of signs that can be seen; line breaks stay.

    Others could turn the direction of a line, and a document is read by people who trust it.
    """
    kept = (sign if sign == "\n" or sign.isprintable() else "\ufffd" for sign in text)
    return "".join(" " if sign in "\u00a0\t" else sign for sign in kept)


def numbered(
    sections: tuple[Section, ...], lead: str = "", depth: int = 1
) -> list[tuple[str, int, Section]]:
    """Return every section with its number ("2.1") and depth, in the order of reading."""
    found = []
    for count, section in enumerate(sections, start=1):
        number = f"{lead}{count}"
        found.append((number, depth, section))
        found += numbered(section.sections, f"{number}.", depth + 1)
    return found
