"""The page of a site with conventional units."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from verifier.web.units import readable
from web.house import House, message, open_house


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """The shipped rules at a site that wants conventional units."""
    with open_house(tmp_path, {"units": "conventional"}) as opened:
        yield opened


def test_a_case_is_shown_in_the_units_of_the_site(
    house: House, open_page: Callable[..., Page]
) -> None:
    ago = datetime.now(UTC) - timedelta(days=20)
    indices = {"H-INDEX": "0.1"}
    house.take(message("S-0", {"calcium": "2.40", "albumin": "40"}, indices=indices, collected=ago))
    house.take(message("S-1", {"calcium": "1.60", "albumin": "40"}, indices=indices))
    page = open_page("technologist")
    page.goto(f"/case/{house.case_of('S-1')}")
    line = page.locator(".line", has=page.get_by_role("rowheader", name="Calcium 2000-8"))
    # 1.60, 2.40 and 1.65 mmol/L of 40.078 g/mol: 6.412, 9.619 and 6.613 mg/dL
    for text in ("6.4 mg/dL", "LL", "9.6", "−3.206", "Calcium 6.412 mg/dL", "below 6.613 mg/dL",
                 "1.60 mmol/L"):  # fmt: skip
        expect(line).to_contain_text(text)
    drawing = line.get_by_role("img", name="Values over time, oldest first: 9.619, 6.412")
    expect(drawing).to_be_visible()
    albumin = page.locator(".line", has=page.get_by_role("rowheader", name="Albumin 61151-7"))
    expect(albumin).to_contain_text("4.0 g/dL")


def test_units_are_read_without_the_marks_of_machines() -> None:
    """UCUM 2.1: annotations in braces (section 2.2) mean nothing, 10* is ten (table 1)."""
    for given, expected in {
        "mL/min/{1.73_m2}": "mL/min/1.73 m²",
        "{ratio}": "ratio",
        "{INR}": "INR",
        "10*9/L": "10⁹/L",
        "10*-3/uL": "10⁻³/uL",
        "m[iU]/L": "mIU/L",
        "mm[Hg]": "mmHg",
        "[pH]": "pH",
        "mmol/L": "mmol/L",
        "umol/L": "umol/L",
        "Filtration is 45 mL/min/{1.73_m2} and below 60.": (
            "Filtration is 45 mL/min/1.73 m² and below 60."
        ),
    }.items():
        assert readable(given) == expected


def test_no_page_shows_an_annotation(house: House, open_page: Callable[..., Page]) -> None:
    creatinine = {"creatinine": "310", "albumin": "40"}
    house.take(message("S-2", creatinine, indices={"H-INDEX": "0.1"}))
    page = open_page("technologist")
    page.goto(f"/case/{house.case_of('S-2')}")
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    text = page.locator("table.results").inner_text()
    assert "mL/min/1.73 m²" in text
    assert "{1.73" not in text
