"""What a style sheet can get wrong: contrast, overflow, names of fields, focus."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

import verifier.web
from web.house import NORMAL, House, critical, message

SHEET = (Path(verifier.web.__file__).parent / "static" / "base.css").read_text(encoding="utf-8")
PAGES = ["/", "/waiting", "/messages", "/outgoing", "/suspension", "/controls", "/rules", "/audit"]
PAGES += ["/quality", "/quality/levels", "/quality/month"]
PAGES += ["/account", "/audit/patient?find=S-1", "/audit/person?name=Paula"]
PAGES += ["/calls", "/calls/report", "/requests", "/quality", "/quality/levels", "/quality/month"]


def tokens(scheme: str) -> dict[str, str]:
    blocks = re.findall(r":root \{(.*?)\}", SHEET, re.S)
    found = dict(re.findall(r"--([\w-]+): (#\w+)", blocks[0]))
    if scheme == "dark":
        found |= dict(re.findall(r"--([\w-]+): (#\w+)", blocks[1]))
    return found


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    digits = color[1:] if len(color) == 7 else "".join(2 * one for one in color[1:])
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_of_contrast() -> None:
    assert contrast("#fff", "#000") == pytest.approx(21)  # WCAG 2.2: the largest there is
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # WebAIM's example


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(scheme: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1; 1.4.11 for the focus ring: 3 to 1."""
    color = tokens(scheme)
    for ground in ("sheet", "ground", "raised"):
        for text in ("ink", "soft", "accent", "critical", "correction", "good"):
            assert contrast(color[text], color[ground]) >= 4.5, f"{text} on {ground}"
        assert contrast(color["focus"], color[ground]) >= 3
    for text, ground in (("on-accent", "accent"), ("on-stop", "stop"), ("sheet", "critical")):
        assert contrast(color[text], color[ground]) >= 4.5, f"{text} on {ground}"


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1024, "dark")])
def test_every_page_fits_and_every_field_has_a_name(
    house: House, open_page: Callable[..., Page], width: int, scheme: str
) -> None:
    house.take(critical(name="Longer-Familyname-Than-Usual^Christabella Maximiliane"))
    house.take(message("S-2", {**NORMAL, "glucose": "28.4", "sodium": "127"}, patient="2"))
    page = open_page("pathologist", width, scheme)
    case = f"/case/{house.case_of('S-1')}"
    for path in [
        *PAGES,
        case,
        f"{case}?paper=1",
        f"{case}/trail/1?proof=1",
        "/search?specimen=S-1",
    ]:
        page.goto(path)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{path} is {wide} wide"
        nameless = page.locator(
            "input:not([type=hidden]):not([aria-label]), select:not([aria-label])"
        ).evaluate_all("fields => fields.filter(f => !f.labels.length).map(f => f.outerHTML)")
        assert not nameless, path


def test_the_first_tab_skips_to_the_work_and_focus_is_seen(
    house: House, open_page: Callable[..., Page]
) -> None:
    page = open_page("technologist")
    page.keyboard.press("Tab")
    skip = page.get_by_role("link", name="Skip to the work")
    expect(skip).to_be_focused()
    assert skip.evaluate("link => getComputedStyle(link).outlineWidth") == "3px"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
