"""Every page as axe-core, the checker most tools for accessibility are built on, judges it.

Rules: those axe-core tags as WCAG 2.0, 2.1 and 2.2, levels A and AA, and its best practices.
"""

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from web.furnished import furnished, pages
from web.house import NAMES, PASSWORD, House, open_house

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
LOOKS = [
    (1440, "light", "administrator"),
    (1440, "dark", "pathologist"),
    (390, "light", "pathologist"),
]
RUN = "() => axe.run(document, {resultTypes: ['violations'], rules: {}}).then(r => r.violations)"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with furnished(tmp_path_factory.mktemp("axe")) as opened:
        yield opened


def told(violations: list[dict[str, Any]]) -> list[str]:
    return [
        f"{found['id']} ({found['impact']}): {node['failureSummary']} {node['html'][:160]}"
        for found in violations
        for node in found["nodes"]
    ]


@pytest.mark.parametrize(("width", "scheme", "role"), LOOKS)
def test_no_page_keeps_anybody_out(
    house: House, browser: Browser, width: int, scheme: str, role: str
) -> None:
    # The policy of the page would keep the checker out as well.
    context = browser.new_context(
        base_url=house.url,
        viewport={"width": width, "height": 900},
        color_scheme=scheme,  # type: ignore[arg-type]
        bypass_csp=True,
    )
    page = context.new_page()
    page.set_default_timeout(120_000)
    found: dict[str, list[str]] = {}
    page.goto("/sign-in")
    look(page, "/sign-in", found)
    page.get_by_label("Name").fill(NAMES[role])
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("/")
    for path in pages(house):
        if path != "/sign-in":
            page.goto(path, wait_until="load")
            look(page, path, found)
    context.close()
    assert not found, "\n".join(
        f"{path}: {text}" for path, texts in found.items() for text in texts
    )


def test_the_steps_of_signing_in_keep_nobody_out(browser: Browser, tmp_path: Path) -> None:
    with open_house(tmp_path, second_factor=["technologist"]) as house:
        context = browser.new_context(base_url=house.url, bypass_csp=True)
        page = context.new_page()
        found: dict[str, list[str]] = {}
        page.goto("/sign-in")
        page.get_by_label("Name").fill(NAMES["technologist"])
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url("/sign-in/step")
        look(page, "/sign-in/step", found)
        page.get_by_label("The code it shows").fill("000000")
        page.get_by_role("button", name="Confirm").click()
        look(page, "refused", found)
        page.goto("/nowhere")
        look(page, "nowhere", found)
        context.close()
    assert not found


def look(page: Page, path: str, found: dict[str, list[str]]) -> None:
    page.evaluate(AXE)
    if texts := told(page.evaluate(RUN)):
        found[path] = texts
