"""Searching: what is found, what is refused, and who saw which patient."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from web.house import NORMAL, House, critical, free, message
from web.visits import Visitor


def searches(house: House) -> list[dict[str, object]]:
    entries = house.store.read(lambda reader: reader.audit_of("search"))
    return [dict(entry.detail or {}) for entry in entries]


def test_a_person_is_found_and_the_search_is_on_record(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(critical(name="Müller^Zoë", patient="4711"))
    house.take(message("S-2", NORMAL, patient="4712", name="Other^Person"))
    page = open_page("technologist")
    page.get_by_role("link", name="Search").click()
    page.get_by_label("Patient").fill("zoe mull")
    page.keyboard.press("Enter")
    expect(page.locator(".found tbody tr")).to_have_count(1)
    expect(page.locator(".found")).to_contain_text("Müller, Zoë")
    seen = searches(house)[-1]
    assert (seen["who"], seen["patients"]) == ("zoe mull", ["LAB^MR^4711"])
    page.get_by_label("What became of it").select_option("held")
    page.get_by_label("Test").select_option("potassium")
    page.get_by_role("button", name="Search").click()
    expect(page.locator(".found .each li")).to_have_count(1)
    page.locator(".found .each a").click()
    expect(page.locator("h1")).to_contain_text("Potassium 6.9 mmol/L")


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ("who=a", "at least 2 characters"),
        ("who=aa+bb+cc+dd+ee", "at most 4 words"),
        ("specimen=S", "at least 3 characters"),
        ("since=yesterday", "is no day"),
        ("test=sodium&since=2026-01-01&until=2026-12-31", "at most 92 days"),
        ("became=lost", "no such outcome"),
        ("who=anna&after=x.y", "search again"),
    ],
)
def test_what_can_not_be_asked_is_said(
    visit: Callable[[str], Visitor], fields: str, sentence: str
) -> None:
    answer = visit("technologist").get(f"/search?{fields}")
    assert answer.status_code == 400
    assert sentence in answer.text


def test_the_list_goes_on_where_the_page_before_ended(
    house: House, visit: Callable[[str], Visitor], monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(1, 4):
        house.take(free(f"SP-{number}"))
    monkeypatch.setattr("verifier.web.routes.search.PAGE", 2)
    tove = visit("technologist")
    first = tove.get("/search?specimen=SP-").text
    onward = re.search(r'href="(/search\?[^"]*after=[^"]*)"', first)
    assert onward
    second = tove.get(onward[1].replace("&amp;", "&")).text
    shown = [re.findall(r'href="/case/\d+">(SP-\d)', page) for page in (first, second)]
    assert shown == [["SP-3", "SP-2"], ["SP-1"]]
    assert "Older ones" not in second
    assert [entry["specimens"] for entry in searches(house)] == shown
