"""The work list: what stands in it, in which order, and that it never moves by itself."""

from collections.abc import Callable

from playwright.sync_api import Page, expect

from web.house import NORMAL, House, critical, message


def held_by_safeguard(specimen: str) -> bytes:
    return message(specimen, {"sodium": "14O"}, patient="100009", name="Blank^Ole")


def rows(page: Page) -> list[str]:
    return page.locator(".specimen .tube span").all_inner_texts()


def test_held_specimens_worst_first_with_value_reason_and_patient(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(held_by_safeguard("S-1"))
    house.take(critical("S-2"))
    house.take(message("S-3", NORMAL, indices={"H-INDEX": "0.1"}, patient="3", name="Free^Liv"))
    page = open_page("technologist")
    assert rows(page) == ["S-2", "S-1"]
    first = page.locator(".specimen").first
    for text in ("critical", "Potassium 6.9 mmol/L", "HH", "critical limit", "Example, Anna"):
        expect(first).to_contain_text(text, ignore_case=True)
    assert page.locator("[data-box=held] [data-count]").inner_text() == "2"


def test_new_work_is_announced_and_shown_only_when_asked_for(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(held_by_safeguard("S-1"))
    page = open_page("technologist")
    house.take(critical("S-2"))
    expect(page.locator("#changes")).to_have_text("1 new above")
    expect(page.locator("[data-box=held] [data-count]")).to_have_text("2")
    assert rows(page) == ["S-1"], "rows moved under the hand"
    page.keyboard.press("n")
    expect(page.locator(".specimen")).to_have_count(2)
    assert rows(page) == ["S-2", "S-1"]
    expect(page.locator("#changes")).to_have_text("")


def test_an_empty_queue_fills_by_itself(house: House, open_page: Callable[..., Page]) -> None:
    page = open_page("technologist")
    expect(page.get_by_text("Nothing is held")).to_be_visible()
    house.take(critical("S-1"))
    expect(page.locator(".specimen")).to_have_count(1)


def test_the_keyboard_is_enough(house: House, open_page: Callable[..., Page]) -> None:
    house.take(held_by_safeguard("S-1"))
    house.take(critical("S-2"))
    page = open_page("technologist")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.locator(".subject")).to_contain_text("S-1")


def test_finding_hides_the_others(house: House, open_page: Callable[..., Page]) -> None:
    house.take(held_by_safeguard("S-1"))
    house.take(critical("S-2"))
    page = open_page("technologist")
    page.keyboard.press("/")
    page.keyboard.type("anna")
    expect(page.locator(".specimen:visible")).to_have_count(1)
    page.keyboard.press("Escape")
    expect(page.locator(".specimen:visible")).to_have_count(2)


def test_waiting_specimens_have_their_own_list(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(message("S-1", {"sodium": "140", "chloride": "102"}))
    page = open_page("technologist")
    page.goto("/waiting")
    expect(page.locator("tbody")).to_contain_text("S-1")
    expect(page.locator("tbody")).to_contain_text("bicarbonate")
