"""Pages of paper to write on: fonts, lines that fit, page breaks, feet.

Lengths are millimeters from the top left corner of an A4 page, sizes of fonts are points.
"""

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from importlib.resources import files
from typing import Any, NamedTuple

from fpdf import FPDF, ViewerPreferences

from verifier.documents.document import signs
from verifier.documents.metadata import metadata

LEFT, RIGHT, TOP, BOTTOM = 18.0, 192.0, 18.0, 277.0
WIDTH = RIGHT - LEFT
_FOOT = 284.0
_PRODUCER = "fpdf2"
_POINT = 25.4 / 72
_LEADING = 1.36
_FONTS = {
    ("sans", ""): "DejaVuSansCondensed.ttf",
    ("sans", "B"): "DejaVuSansCondensed-Bold.ttf",
    ("mono", ""): "DejaVuSansMono.ttf",
}
_WORDS = re.compile(r"\S+\s*|\s+")


class Font(NamedTuple):
    """A font with its size, and the color it is set in."""

    size: float
    style: str = ""
    family: str = "sans"
    color: tuple[int, int, int] = (0, 0, 0)

    @property
    def height(self) -> float:
        """The height of a line."""
        return self.size * _POINT * _LEADING


SMALL = Font(7, color=(80, 80, 80))


class Sheet:
    """Writes pages from the top to the bottom; `y` is where the next line begins."""

    def __init__(self, title: str, made: datetime) -> None:
        self.pdf = FPDF(format="A4", enforce_compliance="PDF/A-2U")
        self.pdf.set_auto_page_break(False)
        self.pdf.set_title(title)
        self.pdf.set_lang("en")
        self.pdf.set_creator("verifier")
        self.pdf.set_producer(_PRODUCER)
        self.pdf.set_creation_date(made)
        self.pdf.set_xmp_metadata(metadata(title, made, _PRODUCER))
        self.pdf.viewer_preferences = ViewerPreferences(display_doc_title=True)
        folder = files("verifier.documents") / "fonts"
        for (family, style), name in _FONTS.items():
            self.pdf.add_font(family, style, str(folder / name))
        self._widths: dict[tuple[str, str], dict[str, float]] = {key: {} for key in _FONTS}
        self.y = BOTTOM
        self.new_page()

    @property
    def page(self) -> int:
        """The number of the page that is written on."""
        return self.pdf.page

    def new_page(self) -> None:
        """Begin a page."""
        self.pdf.add_page()
        self.y = TOP

    def fits(self, height: float) -> bool:
        """Return whether there is room on this page."""
        return self.y + height <= BOTTOM

    def need(self, height: float) -> bool:
        """Begin a page unless there is room on this one; returns whether one was begun."""
        if self.fits(height) or self.y <= TOP:
            return False
        self.new_page()
        return True

    def write(self, x: float, text: str, font: Font, y: float | None = None) -> None:
        """Write one line that begins at x, its upper edge at y (default: where we are)."""
        top = self.y if y is None else y
        self.pdf.set_font(font.family, font.style, font.size)
        self.pdf.set_text_color(*font.color)
        self.pdf.text(x, top + font.size * _POINT * 1.05, self._printable(text, font))

    def write_right(self, x: float, text: str, font: Font, y: float | None = None) -> None:
        """Write one line that ends at x."""
        self.write(x - self.width(text, font), text, font, y)

    def line(
        self, x: float, y: float, to_x: float, to_y: float, gray: int = 0, wide: float = 0.2
    ) -> None:
        """Draw a line; gray is 0 for black to 255 for white."""
        self.pdf.set_draw_color(gray)
        self.pdf.set_line_width(wide)
        self.pdf.line(x, y, to_x, to_y)

    def width(self, text: str, font: Font) -> float:
        """Return how long a text is in one line."""
        known = self._widths[font.family, font.style]
        total = 0.0
        for sign in text:
            if sign not in known:
                face: Any = self.pdf.fonts[font.family + font.style]
                shown = self._printable(sign, font)
                known[sign] = face.get_text_width(shown, 1000, None)[1] / 1000
            total += known[sign]
        return total * font.size * _POINT

    def lines(self, text: str, font: Font, width: float) -> list[str]:
        """Return a text in lines that fit; a word too long for a line is broken."""
        found: list[str] = []
        for line in signs(text).split("\n"):
            found += self._wrapped(line, font, width)
        return found

    def _wrapped(self, line: str, font: Font, width: float) -> list[str]:
        found, current = [], ""
        for word in _WORDS.findall(line):
            if self.width(current + word.rstrip(), font) <= width:
                current += word
                continue
            if current.strip():
                found.append(current.rstrip())
            current = word
            while self.width(current.rstrip(), font) > width:
                count = self._fitting(current, font, width)
                found.append(current[:count])
                current = current[count:]
        return [*found, current.rstrip()]

    def _fitting(self, word: str, font: Font, width: float) -> int:
        count = 1
        while count < len(word) and self.width(word[: count + 1], font) <= width:
            count += 1
        return count

    def _printable(self, text: str, font: Font) -> str:
        """Return a text with signs the fonts do not have told by their number."""
        face: Any = self.pdf.fonts[font.family + font.style]
        return "".join(s if ord(s) in face.cmap else f"[U+{ord(s):04X}]" for s in text)

    def finish(self, feet: Sequence[str], on_pages: "dict[int, list[Callable[[], None]]]") -> bytes:
        """Write the feet and what had to wait until page numbers were known; return the file."""
        pages = self.pdf.page
        for number in range(1, pages + 1):
            self.pdf.page = number
            # Others than what follows: a page must name its own, and the library skips what is set.
            self.pdf.set_font("sans", "B", 1)
            self.pdf.set_draw_color(1)
            for act in on_pages.get(number, ()):
                act()
            self.line(LEFT, _FOOT - 1.5, RIGHT, _FOOT - 1.5, gray=160)
            for count, text in enumerate(feet):
                self.write(LEFT, text, SMALL, _FOOT + count * SMALL.height)
            self.write_right(RIGHT, f"page {number} of {pages}", SMALL, _FOOT)
        self.pdf.page = pages
        return bytes(self.pdf.output())
