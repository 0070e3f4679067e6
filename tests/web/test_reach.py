"""Every page with the keyboard, enlarged, on a phone, in forced colors and without motion.

Success criteria of WCAG 2.2: 1.4.4 (200 %), 1.4.10 (320 CSS pixels without scrolling sideways),
2.1.1 and 2.4.7 (keyboard, visible focus), 2.4.1 (skip), 2.4.3 (order), 2.4.2 (titles).
"""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

import verifier.web
from web.furnished import furnished, pages
from web.house import NAMES, PASSWORD, House

SHEETS = sorted((Path(verifier.web.__file__).parent / "static").glob("*.css"))
WIDTHS = {1024: "a small screen", 640: "1280 pixels at 200 %", 320: "1280 pixels at 400 %"}

# Focus every control as the keyboard would and return those on which nothing shows it. The ring may
# lie on what is drawn after a control, or around its row.
UNSEEN = """() => {
  const found = [];
  const all =
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']";
  const ring = (s) => s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2;
  for (const one of document.querySelectorAll(all)) {
    if (one.disabled || one.offsetParent === null) continue;
    one.focus({ focusVisible: true, preventScroll: true });
    if (document.activeElement !== one) continue;
    const looks = [getComputedStyle(one), getComputedStyle(one, "::after")];
    if (!looks.some(ring)) found.push(one.outerHTML.slice(0, 120));
  }
  return found;
}"""
OUT_OF_ORDER = (
    "() => [...document.querySelectorAll('[tabindex]')].filter(e => e.tabIndex > 0).length"
)


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with furnished(tmp_path_factory.mktemp("reach")) as opened:
        yield opened


@pytest.fixture(scope="module")
def context(house: House, browser: Browser) -> Iterator[BrowserContext]:
    made = browser.new_context(base_url=house.url, viewport={"width": 1280, "height": 800})
    page = made.new_page()
    page.goto("/sign-in")
    page.get_by_label("Name").fill(NAMES["pathologist"])
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("/")
    page.close()
    yield made
    made.close()


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    opened = context.new_page()
    opened.set_default_timeout(120_000)
    yield opened
    opened.close()


def test_pages_fit_enlarged_and_every_control_shows_its_focus(house: House, page: Page) -> None:
    wrong, titles = [], {}
    for path in pages(house):
        page.set_viewport_size({"width": 1280, "height": 800})
        page.goto(path)
        titles[path] = page.title()
        wrong += [f"{path}: no focus on {one}" for one in page.evaluate(UNSEEN)]
        assert page.evaluate(OUT_OF_ORDER) == 0, path
        for width, said in WIDTHS.items():
            page.set_viewport_size({"width": width, "height": 800})
            wide = page.evaluate("document.documentElement.scrollWidth")
            if wide > width:
                wrong.append(f"{path}: {wide} pixels wide at {width} ({said})")
    assert not wrong, "\n".join(wrong)
    assert all(" · " in title for title in titles.values())


def test_the_queue_is_worked_with_the_keyboard_alone(house: House, page: Page) -> None:
    page.goto("/")
    page.wait_for_load_state("load")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")  # the skip link
    assert page.evaluate("document.activeElement.id") == "main"
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.className") == "open"
    page.keyboard.press("Enter")
    page.wait_for_url("**/case/*")
    steps = 0
    while page.evaluate("document.activeElement.name") != "action":
        page.keyboard.press("Tab")
        steps += 1
        assert steps < 80, "the form of the case is not reached"


def test_colors_of_the_system_and_motion(house: House, page: Page) -> None:
    page.emulate_media(forced_colors="active", reduced_motion="reduce")
    page.goto("/overview?period=7")
    look = "e => [getComputedStyle(e).fill, getComputedStyle(document.body).backgroundColor]"
    bar, ground = page.locator("svg.pareto rect.part").first.evaluate(look)
    assert bar != ground, "a bar can not be told from the page"
    page.goto("/")
    shape, ground = page.locator(".shape").first.evaluate(
        "e => [getComputedStyle(e).color, getComputedStyle(document.body).backgroundColor]"
    )
    assert shape != ground
    assert page.evaluate("document.getAnimations().length") == 0


def test_nothing_moves_for_who_asked_that_nothing_moves() -> None:
    for sheet in SHEETS:
        text = re.sub(
            r"@media \(prefers-reduced-motion: no-preference\) \{.*?\n\}", "",
            sheet.read_text(encoding="utf-8"), flags=re.S,
        )  # fmt: skip
        assert not re.search(r"animation|transition|scroll-behavior", text), sheet.name
