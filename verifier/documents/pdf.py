"""Renders a document as PDF: page numbers, a list of contents, bookmarks, repeated table heads.

The same document always gives the same bytes. The file is written as PDF/A-2u (ISO 19005-2), for
keeping: all fonts are in it.
"""

from collections.abc import Callable
from functools import partial

from verifier.documents import charting
from verifier.documents.document import (
    Block,
    Chart,
    Document,
    Pairs,
    Paragraph,
    Points,
    Section,
    Signatures,
    Table,
    Tone,
    cell,
    numbered,
    signs,
)
from verifier.documents.sheet import LEFT, RIGHT, TOP, WIDTH, Font, Sheet
from verifier.documents.tables import draw_table

_TEXT = Font(9)
_TITLE = Font(20, "B")
_HEADINGS = (Font(15, "B"), Font(11.5, "B"), Font(9.5, "B"))
_BEFORE = (7.0, 5.0, 3.5)
_KEPT = 22.0  # what must fit below a heading
_GAP = 2.0
_LABEL = 46.0
_INDENT = 4.5
_CONTENTS_DEPTH = 2
_TONES: dict[Tone, Font] = {
    "": _TEXT,
    "strong": Font(9, "B"),
    "quiet": Font(8, color=(80, 80, 80)),
    "good": Font(9, color=(0, 80, 40)),
    "bad": Font(9, "B", color=(150, 20, 20)),
    "code": Font(7.5, family="mono"),
}


def as_pdf(document: Document) -> bytes:
    """Return a document as the bytes of a PDF file."""
    return _Printer(document).printed()


class _Printer:
    def __init__(self, document: Document) -> None:
        self._document = document
        self._sheet = Sheet(signs(document.title), document.made)
        self._later: dict[int, list[Callable[[], None]]] = {}
        self._pages: dict[str, int] = {}
        self._links: dict[str, int] = {}

    def printed(self) -> bytes:
        sheet, document = self._sheet, self._document
        self._lines(document.title, _TITLE, 0)
        if document.subtitle:
            self._lines(document.subtitle, Font(11, color=(80, 80, 80)), 0)
        sheet.y += _GAP * 2
        for block in document.first:
            self._block(block)
        found = numbered(document.sections)
        self._links = {number: sheet.pdf.add_link() for number, _, _ in found}
        if document.contents and found:
            self._contents(found)
        for number, depth, section in found:
            self._section(number, depth, section)
        return sheet.finish((signs(document.title), signs(document.foot)), self._later)

    def _contents(self, found: list[tuple[str, int, Section]]) -> None:
        sheet = self._sheet
        sheet.new_page()
        self._lines("Contents", _HEADINGS[0], 0)
        sheet.y += _GAP
        for number, depth, section in found:
            if depth > _CONTENTS_DEPTH:
                continue
            font = Font(9, "B" if depth == 1 else "")
            indent = _INDENT * 2 * (depth - 1)
            lines = sheet.lines(f"{number}  {section.title}", font, WIDTH - indent - 16)
            sheet.need(len(lines) * font.height + (1.5 if depth == 1 else 0))
            sheet.y += 1.5 if depth == 1 else 0
            top = sheet.y
            for line in lines:
                sheet.write(LEFT + indent, line, font)
                sheet.y += font.height
            sheet.pdf.link(LEFT, top, WIDTH, sheet.y - top, self._links[number])
            act = partial(self._page_number, number, font, sheet.y - font.height)
            self._later.setdefault(sheet.page, []).append(act)
        sheet.new_page()

    def _page_number(self, number: str, font: Font, y: float) -> None:
        self._sheet.write_right(RIGHT, str(self._pages[number]), font, y)

    def _section(self, number: str, depth: int, section: Section) -> None:
        sheet, level = self._sheet, min(depth, len(_HEADINGS)) - 1
        if section.new_page and sheet.y > TOP:
            sheet.new_page()
        font = _HEADINGS[level]
        lines = sheet.lines(f"{number}  {section.title}", font, WIDTH)
        if not sheet.need(_BEFORE[level] + len(lines) * font.height + _KEPT):
            sheet.y += _BEFORE[level] if sheet.y > TOP else 0
        sheet.pdf.set_xy(LEFT, sheet.y)
        sheet.pdf.start_section(f"{number}  {signs(section.title)}", depth - 1)
        sheet.pdf.set_link(self._links[number], page=sheet.page, y=sheet.y)
        self._pages[number] = sheet.page
        for line in lines:
            sheet.write(LEFT, line, font)
            sheet.y += font.height
        sheet.y += _GAP / 2
        for block in section.blocks:
            self._block(block)

    def _block(self, block: Block) -> None:
        match block:
            case Paragraph():
                self._lines(block.text, _TONES[block.tone], 0)
            case Points():
                self._points(block)
            case Pairs():
                self._pairs(block)
            case Table():
                draw_table(self._sheet, block)
            case Signatures():
                self._signatures(block)
            case Chart():
                charting.draw(self._sheet, block)
        self._sheet.y += _GAP

    def _lines(self, text: str, font: Font, indent: float) -> None:
        sheet = self._sheet
        lines = sheet.lines(text, font, WIDTH - indent)
        sheet.need(min(len(lines), 3) * font.height)
        for line in lines:
            sheet.need(font.height)
            sheet.write(LEFT + indent, line, font)
            sheet.y += font.height

    def _points(self, block: Points) -> None:
        for text in block.texts:
            item = cell(text)
            font = _TONES[item.tone]
            self._sheet.need(font.height)
            self._sheet.write(LEFT + 1, "•", font)
            self._lines(item.text, font, _INDENT)

    def _pairs(self, block: Pairs) -> None:
        sheet = self._sheet
        for label, text in block.pairs:
            item = cell(text)
            font = _TONES[item.tone]
            said = sheet.lines(label, _TONES["strong"], _LABEL - 3)
            lines = min(3, len(sheet.lines(item.text, font, WIDTH - _LABEL)))
            sheet.need(max(lines, len(said)) * _TEXT.height)
            top = sheet.y
            for count, line in enumerate(said):
                sheet.write(LEFT, line, _TONES["strong"], top + count * _TEXT.height)
            self._lines(item.text, font, _LABEL)
            if sheet.y > top:  # else the text went on to another page
                sheet.y = max(sheet.y, top + len(said) * _TEXT.height)
            sheet.y += 0.6

    def _signatures(self, block: Signatures) -> None:
        sheet = self._sheet
        for role in block.roles:
            sheet.need(24)
            sheet.write(LEFT, role, _TONES["strong"])
            sheet.y += 16
            for at, wide, said in ((0, 66, "name"), (70, 64, "signature"), (138, 36, "date")):
                sheet.line(LEFT + at, sheet.y, LEFT + at + wide, sheet.y)
                sheet.write(LEFT + at, said, _TONES["quiet"], sheet.y + 0.6)
            sheet.y += 8
