"""A house with a page on a real socket, and a real browser to look at it."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from web.house import NAMES, PASSWORD, House, open_house
from web.visits import Visitor, sign_in

CHROMIUM = Path("/usr/bin/chromium")
QUIET = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-sync",
    "--disable-background-networking",
    "--disable-component-update",
]


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path) as open_one:
        yield open_one


@pytest.fixture
def visit(house: House) -> Iterator[Callable[[str], Visitor]]:
    """Sign somebody in without a browser."""
    clients: list[httpx.Client] = []

    def enter(role: str) -> Visitor:
        client = httpx.Client(base_url=house.url, trust_env=False, timeout=60)
        clients.append(client)
        return sign_in(client, NAMES[role], PASSWORD)

    yield enter
    for client in clients:
        client.close()


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        sentence = f"there is no browser at {CHROMIUM}: the page was not looked at"
        if os.environ.get("VERIFIER_REQUIRE_BROWSER") == "1":
            pytest.fail(sentence)
        pytest.skip(sentence)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield chromium
        chromium.close()


@pytest.fixture
def open_page(browser: Browser, house: House) -> Iterator[Callable[..., Page]]:
    """Open a page in a browser of its own; whatever the page complains of fails the test."""
    contexts, complaints = [], []

    def note(text: str) -> None:
        complaints.append(text)

    def enter(role: str = "", width: int = 1280, scheme: str = "light") -> Page:
        context = browser.new_context(
            base_url=house.url, viewport={"width": width, "height": 800}, color_scheme=scheme
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        expect.set_options(timeout=20_000)  # nothing here is about how fast a page is
        page.on("pageerror", lambda error: note(str(error)))
        page.on("console", lambda line: note(line.text) if _violates(line.text) else None)
        if role:
            page.goto("/sign-in")
            page.get_by_label("Name").fill(NAMES[role])
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url("/")
            page.wait_for_load_state("load")  # the scripts have run
        return page

    yield enter
    for context in contexts:
        context.close()
    assert not complaints


def _violates(text: str) -> bool:
    return "Content Security Policy" in text
