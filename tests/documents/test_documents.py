"""A document as PDF and as HTML, read back with readers of other people (pypdf, html.parser)."""

from datetime import UTC, datetime
from html.parser import HTMLParser
from io import BytesIO

import pytest
from pypdf import PdfReader

from verifier.documents.document import (
    Cell,
    Chart,
    Column,
    Document,
    Level,
    Mark,
    Pairs,
    Paragraph,
    Points,
    Section,
    Signatures,
    Table,
)
from verifier.documents.html import as_fragment, as_html
from verifier.documents.pdf import as_pdf

MADE = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
SIGNS = "µ ≥ ≤ – ² é ö Ł Ω α Ж ✓"
FOOT = "rule set 0123456789abcdef"
LONG = Table(
    (Column("name", 2), Column("worth", 1, right=True), Column("said", 4)),
    tuple((f"row-{n}", str(n), Cell(f"said {SIGNS} " * (1 + n % 3), "bad")) for n in range(150)),
    "A long table",
)


def document(**changes: object) -> Document:
    parts: dict[str, object] = {
        "title": "A title <b>&",
        "made": MADE,
        "foot": FOOT,
        "first": (Paragraph(f"First, {SIGNS}", "bad"), Pairs((("label", "what is said"),))),
        "sections": (
            Section(
                "One",
                (LONG,),
                (Section("One in one", (Points(("a point", Cell("b point", "good"))),)),),
                new_page=True,
            ),
            Section("Two", (Signatures(("Director",)),), new_page=True),
        ),
    }
    return Document(**(parts | changes))  # type: ignore[arg-type]


def pages(made: Document) -> list[str]:
    return [page.extract_text() for page in PdfReader(BytesIO(as_pdf(made))).pages]


def test_every_text_is_in_the_pdf_once_and_in_order() -> None:
    text = "\n".join(pages(document(contents=False)))
    found = [word for word in text.split() if word.startswith("row-")]
    assert found == [f"row-{n}" for n in range(150)]
    assert "First, " + SIGNS in text
    assert "a point" in text
    assert "Director" in text


def test_every_page_has_its_number_the_foot_and_the_head_of_its_table() -> None:
    found = pages(document())
    assert len(found) > 5
    for number, text in enumerate(found, start=1):
        assert f"page {number} of {len(found)}" in text
        assert FOOT in text
        if "row-" in text:
            assert "name" in text
            assert "worth" in text


def test_contents_and_bookmarks_name_the_pages_where_sections_are() -> None:
    reader = PdfReader(BytesIO(as_pdf(document())))
    contents = reader.pages[1].extract_text().splitlines()
    for title in ("1 One", "1.1 One in one", "2 Two"):
        at = next(n for n, text in enumerate(map(str.split, contents)) if text == title.split())
        numbers = [line for line in contents[at + 1 :] if line.strip().isdigit()]
        assert numbers, title
    outline = {
        item.title: reader.get_destination_page_number(item) for item in _flat(reader.outline)
    }
    for title, page in outline.items():
        assert title.split()[-1] in reader.pages[page].extract_text()
        assert str(page + 1) in reader.pages[1].extract_text().split()
    assert [title.split()[0] for title in outline] == ["1", "1.1", "2"]


def _flat(outline: list) -> list:  # type: ignore[type-arg]
    return [x for item in outline for x in (_flat(item) if isinstance(item, list) else [item])]


def test_the_file_says_its_title_and_time_and_is_the_same_every_time() -> None:
    reader = PdfReader(BytesIO(as_pdf(document())))
    assert reader.xmp_metadata is not None
    assert reader.xmp_metadata.dc_title == {"x-default": "A title <b>&"}
    assert reader.xmp_metadata.xmp_create_date == MADE.replace(tzinfo=None)
    assert as_pdf(document()) == as_pdf(document())
    later = document(made=datetime(2026, 3, 2, tzinfo=UTC))
    assert as_pdf(later) != as_pdf(document())


def test_all_fonts_are_in_the_file() -> None:
    reader = PdfReader(BytesIO(as_pdf(document())))
    fonts = {
        name: font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        for page in reader.pages
        for name, font in page["/Resources"]["/Font"].items()  # type: ignore[index]
    }
    assert fonts
    assert all("/FontFile2" in font.get_object() for font in fonts.values())


def test_a_sign_no_font_has_is_told_by_its_number_and_one_not_seen_is_replaced() -> None:
    text = "\n".join(pages(document(first=(Paragraph("中 and \u202e turned"),))))
    assert "[U+4E2D] and \ufffd turned" in text


def test_a_row_longer_than_a_page_and_a_word_longer_than_a_line_are_parted() -> None:
    words = " ".join(f"w{n}" for n in range(3000))
    row = Table((Column("a"), Column("b")), (("x" * 900, words),))
    text = "\n".join(pages(document(sections=(Section("S", (row,)),))))
    assert [w for w in text.split() if w[0] == "w" and w[1:].isdigit()] == words.split()
    assert text.count("x") >= 900


@pytest.mark.parametrize("marks", [(), (Mark(1, 5, "odd"),), (Mark(1, 2), Mark(2, 9, "far"))])
def test_a_chart_is_drawn_with_its_words(marks: tuple[Mark, ...]) -> None:
    chart = Chart("what it shows", marks, (Level(5, "mean", "strong"),), "1 March", "31 March")
    made = document(first=(chart,))
    text = pages(made)[0]
    for word in ("what it shows", "mean", "1 March", "31 March", *(m.label for m in marks)):
        assert word in text
        assert word in as_html(made)


class Reading(HTMLParser):
    """What is in a page: tags, and the text of it."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_needs_nothing_else_and_holds_every_text() -> None:
    reading = Reading()
    reading.feed(as_html(document()))
    names = [tag for tag, _ in reading.tags]
    assert "script" not in names
    assert "b" not in names
    assert not any("src" in attrs for _, attrs in reading.tags)
    assert {attrs["href"] for tag, attrs in reading.tags if tag == "a"} == {"#s1", "#s1.1", "#s2"}
    assert all(f"row-{n}" in reading.text for n in range(150))
    assert "A title <b>&" in reading.text
    assert SIGNS in reading.text


def test_blocks_can_stand_in_another_page() -> None:
    found = as_fragment((Paragraph("a < b", "bad"), LONG))
    assert "a &lt; b" in found
    assert "row-149" in found
    assert "<html" not in found
