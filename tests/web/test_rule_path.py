"""A change of rules from its first keystroke to the next message, by people in browsers."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect
from service.laboratory import Laboratory, Lis, Sender, eventually, result_message

from verifier import settings
from verifier.store import Role, Store
from verifier.store.people import hash_password
from web.house import PASSWORD

EXPECTED = """
scenario "a potassium of 6.1"
  given man of 40 years, potassium 6.1 mmol/L
  expect potassium released
"""
PEOPLE: dict[str, Role] = {
    "Anders": "administrator", "Paula": "pathologist", "Tove": "technologist",
}  # fmt: skip
Enter = Callable[[str], Page]


@pytest.fixture
def lis() -> Iterator[Lis]:
    with Lis() as receiver:
        yield receiver


@pytest.fixture
def laboratory(tmp_path: Path, lis: Lis) -> Iterator[Laboratory]:
    """The service as a process of its own, with three people."""
    made = Laboratory(tmp_path, lis.port)
    rules = tmp_path / "rules" / "test.rules"
    rules.write_text(rules.read_text(encoding="utf-8") + EXPECTED, encoding="utf-8")
    config = settings.load(made.config)
    with Store.open(config.database, checkpoints=config.checkpoints) as store:
        hashed = hash_password(PASSWORD)
        store.write(lambda tx: [tx.add_person(n, role, hashed) for n, role in PEOPLE.items()])
    made.start()
    yield made
    made.stop()


@pytest.fixture
def enter(browser: Browser, laboratory: Laboratory) -> Iterator[Enter]:
    """Sign somebody in with a browser of their own; what the page complains of fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def signed_in(name: str) -> Page:
        context = browser.new_context(base_url=f"http://127.0.0.1:{laboratory.web}")
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto("/sign-in")
        page.get_by_label("Name").fill(name)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url("/")
        return page

    yield signed_in
    for context in contexts:
        context.close()
    assert not complaints


def jumped_to(page: Page, wanted: str) -> None:
    """Wait until a text of the editor is selected: it has its focus and is seen."""
    field = page.get_by_label("Text of")

    def chosen() -> bool:
        found = field.evaluate(
            "field => field.value.slice(field.selectionStart, field.selectionEnd)"
        )
        return bool(found.strip() == wanted)

    eventually(chosen)
    expect(field).to_be_focused()


def finished(page: Page, button: str) -> None:
    """Press a button that begins work, and wait until its result stands on the page."""
    page.get_by_role("button", name=button).click()
    expect(page.locator("#work[data-running=no]")).to_be_visible(timeout=60_000)


def sign(page: Page, button: str, password: str = PASSWORD) -> None:
    page.get_by_label("Your password").fill(password)
    page.get_by_role("button", name=button).click()


def decides(page: Page, number: int) -> None:
    """Wait until the page says that a version decides."""

    def shown() -> bool:
        page.goto("/rules")
        return page.get_by_role("heading", name=f"version {number}").is_visible()

    eventually(shown, 60)


def test_a_limit_goes_from_an_editor_to_the_next_message_and_back(
    laboratory: Laboratory, lis: Lis, enter: Enter
) -> None:
    with Sender(laboratory.chem) as analyzer:

        def measured(name: str) -> None:
            message = result_message(name, specimen=name, results={"potassium": "6.1"})
            assert b"MSA|AA" in analyzer.send(message)

        def left(name: str) -> bool:
            return any(name.encode() in sent for sent in lis.received)

        measured("S1")
        eventually(lambda: left("S1"))
        anders, paula = enter("Anders"), enter("Paula")
        write_and_send(anders)
        sign(anders, "Approve version 2")
        expect(anders.locator("#approval ~ p").first).to_contain_text("1 of 2 people")
        nobody_else_may(enter("Tove"))
        approve_and_activate(paula)

        decides(paula, 2)
        measured("S2")
        paula.goto("/")
        expect(paula.locator(".specimen")).to_contain_text("above 6.0 mmol/L")
        assert not left("S2")
        roll_back(paula)
        decides(anders, 1)
        measured("S3")
        eventually(lambda: left("S3"))
        assert not left("S2"), "what was held stays held"


def write_and_send(page: Page) -> None:
    page.goto("/rules/versions")
    page.get_by_label("What is to be changed").fill("critical potassium above 6.0")
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("link", name="test.rules").click()
    text = page.get_by_label("Text of test.rules")
    before = text.input_value()
    text.fill(before.replace("above 6.2", "above 60 mmmol/L"))
    expect(page.locator("#found[data-errors='1']")).to_contain_text("'mmmol/L' is not a unit")
    expect(page.get_by_role("status").last).to_contain_text("1 error")
    expect(page.locator(".gutter .m-error")).to_have_text("✕ 16")
    page.keyboard.press("Alt+j")
    jumped_to(page, "60 mmmol/L")
    page.keyboard.type("6.0")
    expect(page.locator("#found[data-errors='0']")).to_be_visible()
    page.keyboard.press("Control+s")
    expect(page.locator("#unsaved")).to_be_hidden()
    page.get_by_role("link", name="Done").click()

    finished(page, "Run the scenarios")
    page.get_by_role("link", name="test.rules, line 24").click()
    jumped_to(page, "expect potassium released")
    page.keyboard.type("  expect potassium held by critical")
    page.get_by_role("button", name="Save and check").click()
    page.get_by_role("link", name="Done").click()
    finished(page, "Run the scenarios")
    expect(page.get_by_text("All 1 scenarios come true")).to_be_visible()
    page.get_by_role("button", name="send it for approval").click()
    expect(page.get_by_role("alert")).to_contain_text("Replay it first")
    finished(page, "Replay against version 1")
    expect(page.locator("#changed")).to_contain_text("newly held")
    page.get_by_role("button", name="send it for approval").click()
    expect(page.get_by_text("Sent for approval: 0 of 2")).to_be_visible()


def nobody_else_may(page: Page) -> None:
    page.goto("/rules/version/2")
    expect(page.get_by_text("Sent for approval: 1 of 2")).to_be_visible()
    assert page.locator("main form").count() == 0
    for path in ("approve", "activate", "send", "replay"):
        csrf = page.locator(".me [name=csrf]").input_value()
        form = {"csrf": csrf, "password": PASSWORD, "hash": "", "replayed": ""}
        answer = page.request.post(f"/rules/version/2/{path}", form=form)
        assert answer.status == 403, path


def approve_and_activate(page: Page) -> None:
    page.goto("/rules/version/2")
    expect(page.locator(".changes")).to_contain_text(
        "potassium: critical high 6.2 mmol/L becomes 6.0 mmol/L"
    )
    expect(page.locator("#changed")).to_contain_text("newly held")
    sign(page, "Approve version 2", "not this password")
    expect(page.get_by_role("alert")).to_contain_text("wrong")
    sign(page, "Approve version 2")
    expect(page.get_by_text("Approved by Anders and Paula")).to_be_visible()
    sign(page, "Activate version 2")
    expect(page.get_by_role("heading", name="Version 2")).to_contain_text("decides now")


def roll_back(page: Page) -> None:
    page.goto("/rules/versions")
    form = page.get_by_role("form", name="Back to version 1")
    form.get_by_label("Why").fill("more held than meant")
    form.get_by_label("Your password").fill(PASSWORD)
    form.get_by_role("button").click()
    expect(page.locator("#activations tbody tr").first).to_contain_text("rolled back")
