"""Accounts, the audit page and the rules page."""

from collections.abc import Callable

import httpx
from databases import change_behind
from playwright.sync_api import Page, expect

from web.house import PASSWORD, House
from web.visits import Visitor, attempt

NEW = "another long password"


def change(page: Page, who: str, what: str, password: str = PASSWORD, **more: str) -> None:
    form = page.get_by_role("form", name="Change somebody")
    form.get_by_label("Who").select_option(who)
    form.get_by_label("What").select_option(what)
    if "role" in more:
        form.locator("[name=role]").select_option(more["role"])
    if "new_password" in more:
        form.get_by_label("New password").fill(more["new_password"])
    form.get_by_label("Your own password").fill(password)
    form.get_by_role("button").click()


def test_an_administrator_adds_locks_and_changes(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    page = open_page("administrator")
    page.goto("/people")
    add = page.get_by_role("form", name="Add somebody")
    add.get_by_label("Name").fill("Nils")
    add.get_by_label("First password").fill(NEW)
    add.get_by_label("Your own password").fill(PASSWORD)
    add.get_by_role("button").click()
    expect(page.get_by_role("row", name="Nils")).to_contain_text("technologist")
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client:
        assert attempt(client, "Nils", NEW).status_code == 303

        change(page, "Nils", "role", role="pathologist")
        expect(page.get_by_role("row", name="Nils")).to_contain_text("pathologist")
        change(page, "Nils", "password", new_password=PASSWORD)
        expect(page.get_by_role("row", name="Nils")).to_be_visible()
        assert attempt(client, "Nils", NEW).status_code == 401

    change(page, "Tove", "lock")
    expect(page.get_by_role("row", name="Tove")).to_contain_text("locked")
    assert tove.get("/messages").status_code == 401, "locking ends the session"
    change(page, "Tove", "unlock", password="not this password")
    expect(page.get_by_role("alert")).to_contain_text("wrong")
    expect(page.get_by_role("row", name="Tove")).to_contain_text("locked")
    change(page, "Anders", "lock")
    expect(page.get_by_role("alert")).to_contain_text("last administrator")


def test_the_audit_page_verifies_and_notices_a_change(
    house: House, open_page: Callable[..., Page]
) -> None:
    page = open_page("administrator")
    house.store.checkpoint()
    page.goto("/audit")
    page.get_by_role("button", name="Verify the whole log").click()
    expect(page.locator("#verdict")).to_contain_text("Nothing was altered")
    change_behind(house.settings.database, "UPDATE audit SET who = 'Somebody' WHERE who = 'Anders'")
    page.get_by_role("button", name="Verify the whole log").click()
    expect(page.locator("#verdict")).to_contain_text("Not as it should be")


def test_the_rules_page_shows_identity_and_sources(
    house: House, open_page: Callable[..., Page]
) -> None:
    page = open_page("pathologist")
    page.goto("/rules")
    program = house.line.judge.program
    expect(page.get_by_text(program.identity)).to_be_visible()
    for rule in program.rules:
        row = page.get_by_role("row").filter(has=page.get_by_text(rule.name, exact=True))
        expect(row.first).to_contain_text(rule.source or "no source given")
