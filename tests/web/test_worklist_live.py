"""Two people at one work list: what each sees of the other, on a wire that is cut and slow."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Page, expect

from web.house import PASSWORD, House, critical
from web.relay import Relay
from web.test_worklist import stat, unconfirmed


@pytest.fixture
def wire(house: House) -> Iterator[Relay]:
    """All browsers of the test reach the house through this."""
    with Relay(house.url) as relay:
        house.url = relay.url
        yield relay


def order(page: Page) -> list[str]:
    return page.locator(".specimen .tube > span").all_inner_texts()


def row(page: Page, house: House, specimen: str) -> str:
    return f"[data-case='{house.case_of(specimen)}']"


def test_two_people_see_each_other_and_nothing_moves(
    house: House, wire: Relay, open_page: Callable[..., Page]
) -> None:
    for number in (2, 3, 4):
        house.take(unconfirmed(f"S-{number}"))
    tove, paula = open_page("technologist"), open_page("pathologist", 1024, "dark")

    # Claimed by key, seen by the other without a reload.
    tove.keyboard.press("ArrowDown")
    tove.keyboard.press("ArrowDown")
    focused = tove.locator(".specimen:focus-within")
    expect(focused.locator(".tube > span")).to_have_text("S-3")
    tove.keyboard.press("c")
    expect(focused.locator(".claimed")).to_contain_text("yours")
    expect(focused.locator(".claim button")).to_have_text("Give back")
    third = paula.locator(row(paula, house, "S-3"))
    expect(third.locator(".claimed")).to_contain_text("Tove has it")
    expect(third.locator(".claim")).to_be_hidden()

    # New work above and below, one settled: announced and marked, nothing moves.
    before = focused.bounding_box()
    house.take(critical("S-1"))
    house.take(stat(unconfirmed("S-5")))
    paula.goto(f"/case/{house.case_of('S-2')}")
    expect(tove.locator(row(tove, house, "S-2")).locator(".looking")).to_contain_text("Paula")
    paula.get_by_role("radio", name="Reject").check()
    paula.get_by_label("Comment or reason").fill("clotted")
    paula.locator("#go").click()
    expect(tove.locator("#changes")).to_have_text("1 new above · 1 new below · 1 gone")
    expect(tove.locator(row(tove, house, "S-2")).locator(".gone")).to_contain_text("settled")
    assert order(tove) == ["S-2", "S-3", "S-4"]
    assert focused.bounding_box() == before
    expect(tove.locator("[data-box=critical] [data-count]")).to_have_text("1")
    tove.keyboard.press("n")
    expect(tove.locator(".specimen")).to_have_count(4)
    assert order(tove) == ["S-1", "S-3", "S-4", "S-5"]
    expect(focused.locator(".tube > span")).to_have_text("S-3")  # focus stays on its specimen

    # Claimed by Tove: Paula is warned on the case, must say that she knows, and is not kept out.
    paula.goto(f"/case/{house.case_of('S-3')}")
    expect(paula.get_by_text("Tove has claimed this specimen")).to_be_visible()
    paula.get_by_role("radio", name="Release").check()
    for knows in (False, True):
        paula.get_by_label("Why, although a rule held it").select_option("FITS")
        paula.locator("#taken").get_by_role("checkbox").set_checked(knows)
        paula.get_by_role("radio", name="Release").check()
        paula.locator("#go").click()
        if not knows:
            expect(paula.get_by_role("alert").first).to_contain_text("Tove has claimed")
    paula.wait_for_url("/?done=release*")
    assert ("Paula", "released") in house.audited("S-3")


def test_a_batch_by_keyboard(house: House, open_page: Callable[..., Page]) -> None:
    house.take(critical("S-1"))
    for number in (2, 3, 4):
        house.take(unconfirmed(f"S-{number}"))
    page = open_page("technologist")
    expect(page.locator(".specimen").first.locator(".pick")).to_have_count(0)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("x")
    expect(page.locator("#picked")).to_have_text("Batch of 1:")
    page.get_by_role("button", name="Choose all 3").press("Enter")
    expect(page.locator("#picked")).to_have_text("Batch of 3:")
    page.keyboard.press("Enter")  # the focus is on the button that shows what would leave
    expect(page.get_by_role("heading", level=1)).to_have_text(
        "3 specimens to release with one signature"
    )
    page.get_by_label("Why, although rules held them").select_option("REPEATED")
    page.get_by_label("Your password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").last).to_contain_text("3 released")
    for number in (2, 3, 4):
        assert ("Tove", "signed in a batch") in house.audited(f"S-{number}")
    assert ("Tove", "released") not in house.audited("S-1")


def test_a_cut_wire_is_told_and_caught_up_with_on_a_slow_one(
    house: House, wire: Relay, open_page: Callable[..., Page]
) -> None:
    house.take(unconfirmed("S-2"))
    page = open_page("technologist")
    expect(page.locator("#connection")).to_be_hidden()
    wire.cut()
    expect(page.locator("#connection")).to_contain_text("Connection lost since", timeout=60_000)
    house.take(critical("S-1"))
    page.locator(".specimen .claim button").press("Enter")
    expect(page.get_by_role("alert").filter(has_text="could not reach")).to_be_visible()
    wire.delay = 0.3
    wire.mend()
    expect(page.locator("#changes")).to_have_text("1 new above", timeout=60_000)
    expect(page.locator("#connection")).to_be_hidden()
    assert order(page) == ["S-2"]
    page.locator(".specimen .claim button").press("Enter")
    expect(page.locator(".specimen .claimed")).to_contain_text("yours")
    page.keyboard.press("n")
    expect(page.locator(".specimen")).to_have_count(2)
