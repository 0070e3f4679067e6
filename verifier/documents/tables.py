"""Draws tables on sheets: a row that does not fit goes on, under the heads again."""

from collections.abc import Sequence

from verifier.documents.document import Cell, Column, Table, Tone, cell
from verifier.documents.sheet import BOTTOM, LEFT, RIGHT, TOP, WIDTH, Font, Sheet

_PAD = 1.1
_TOGETHER = 8  # lines of a row that are not parted
_SIZE = 7.6
_HEAD = Font(_SIZE, "B")
_TONES: dict[Tone, Font] = {
    "": Font(_SIZE),
    "strong": _HEAD,
    "quiet": Font(_SIZE, color=(90, 90, 90)),
    "good": Font(_SIZE, color=(0, 80, 40)),
    "bad": Font(_SIZE, "B", color=(150, 20, 20)),
    "code": Font(6.6, family="mono"),
}


def draw_table(sheet: Sheet, table: Table) -> None:
    """Draw a table where the sheet is, over as many pages as it takes."""
    _Drawing(sheet, table).draw()


class _Drawing:
    def __init__(self, sheet: Sheet, table: Table) -> None:
        self._sheet, self._table = sheet, table
        whole = sum(column.share for column in table.columns)
        self._widths = [WIDTH * column.share / whole for column in table.columns]
        titles = [Cell(column.title, "strong") for column in table.columns]
        self._head = self._laid(titles)

    def draw(self) -> None:
        sheet, table = self._sheet, self._table
        head = max(len(lines) for lines in self._head) * _HEAD.height + 2 * _PAD
        sheet.need(head + 2 * _HEAD.height + (_HEAD.height + _PAD if table.caption else 0))
        if table.caption:
            for line in sheet.lines(table.caption, _HEAD, WIDTH):
                sheet.write(LEFT, line, _HEAD)
                sheet.y += _HEAD.height
            sheet.y += _PAD
        if not table.rows:
            sheet.write(LEFT, table.empty, _TONES[""])
            sheet.y += _HEAD.height
            return
        self._draw_head()
        for row in table.rows:
            self._draw_row([cell(item) for item in row])

    def _laid(self, cells: Sequence[Cell]) -> list[list[str]]:
        pairs = zip(cells, self._widths, strict=True)
        return [
            self._sheet.lines(item.text, _TONES[item.tone], width - 2 * _PAD)
            for item, width in pairs
        ]

    def _draw_head(self) -> None:
        sheet = self._sheet
        sheet.line(LEFT, sheet.y, RIGHT, sheet.y, wide=0.3)
        count = max(len(lines) for lines in self._head)
        self._draw_lines([_HEAD] * len(self._head), self._head, 0, count)
        sheet.line(LEFT, sheet.y, RIGHT, sheet.y, wide=0.3)

    def _draw_row(self, cells: Sequence[Cell]) -> None:
        sheet = self._sheet
        fonts = [_TONES[item.tone] for item in cells]
        laid = self._laid(cells)
        count, done = max(len(lines) for lines in laid), 0
        while done < count:
            room = int((BOTTOM - sheet.y - 2 * _PAD) / _HEAD.height)
            if room < min(count - done, _TOGETHER) and sheet.y > TOP:
                sheet.new_page()
                self._draw_head()
                continue
            part = min(room, count - done)
            self._draw_lines(fonts, laid, done, done + part)
            done += part
        sheet.line(LEFT, sheet.y, RIGHT, sheet.y, gray=200, wide=0.1)

    def _draw_lines(
        self, fonts: Sequence[Font], laid: Sequence[Sequence[str]], start: int, end: int
    ) -> None:
        sheet, x = self._sheet, LEFT
        top = sheet.y + _PAD
        pairs = zip(self._table.columns, self._widths, fonts, laid, strict=True)
        for column, width, font, lines in pairs:
            for number, line in enumerate(lines[start:end]):
                self._place(column, x, width, line, font, top + number * _HEAD.height)
            x += width
        sheet.y = top + (end - start) * _HEAD.height + _PAD

    def _place(
        self, column: Column, x: float, width: float, line: str, font: Font, y: float
    ) -> None:
        if column.right:
            self._sheet.write_right(x + width - _PAD, line, font, y)
        else:
            self._sheet.write(x + _PAD, line, font, y)
