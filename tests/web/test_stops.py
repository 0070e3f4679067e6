"""Stopping and resuming release, and vouching for controls."""

from collections.abc import Callable

from playwright.sync_api import Page, expect

from web.house import PASSWORD, House, free


def test_suspending_holds_what_arrives_and_every_page_says_so(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(free("S-1"))
    watching, acting = open_page("pathologist"), open_page("technologist")
    expect(watching.locator("#suspended")).to_be_hidden()
    acting.goto("/suspension")
    expect(acting.get_by_text("Automatic release is running")).to_be_visible()
    acting.get_by_label("Reason").fill("wrong lot loaded")
    acting.get_by_role("button", name="Suspend now").click()
    expect(watching.locator("#suspended")).to_contain_text("all results by Tove: wrong lot loaded")
    house.take(free("S-2"))
    assert house.outgoing("S-1")
    assert not house.outgoing("S-2")
    expect(watching.locator(".specimen")).to_contain_text("Automatic release is stopped")

    acting.get_by_label("Your password").fill("not this password")
    acting.get_by_role("button", name="Resume").click()
    expect(acting.get_by_role("alert")).to_contain_text("wrong")
    acting.get_by_label("Your password").fill(PASSWORD)
    acting.get_by_role("button", name="Resume").click()
    expect(acting.get_by_text("Automatic release is running")).to_be_visible()
    house.take(free("S-3"))
    assert house.outgoing("S-3")
    assert not house.outgoing("S-2"), "what was held stays held"


def test_suspending_one_connection_leaves_the_other(
    house: House, open_page: Callable[..., Page]
) -> None:
    page = open_page("technologist")
    page.goto("/suspension")
    page.get_by_label("What").select_option("connection:stat")
    page.get_by_label("Reason").fill("probe blocked")
    page.get_by_role("button", name="Suspend now").click()
    expect(page.locator(".stopped")).to_contain_text("Connection stat")
    house.take(free("S-1"), "stat")
    house.take(free("S-2"), "chemistry")
    assert not house.outgoing("S-1")
    assert house.outgoing("S-2")


def test_a_test_out_of_control_is_held(house: House, open_page: Callable[..., Page]) -> None:
    page = open_page("technologist")
    page.goto("/controls")
    page.get_by_role("checkbox", name="Albumin").check()
    page.get_by_label("State").select_option("out of control")
    page.get_by_label("Note").fill("level 2 high")
    page.get_by_label("Your password").fill(PASSWORD)
    page.get_by_role("button", name="Sign for the chosen tests").click()
    row = page.get_by_role("row", name="Albumin")
    expect(row).to_contain_text("out of control")
    expect(row).to_contain_text("level 2 high")
    house.take(free("S-1"))
    held = house.store.read(lambda reader: reader.queue())
    assert [result.test for result in held[0].results] == ["albumin"]
