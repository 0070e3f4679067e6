"""Messages that could not be read, and messages the receiver refused."""

from collections.abc import Callable

from playwright.sync_api import Page, expect

from web.house import House, critical, refused_by_receiver


def test_an_unreadable_message_is_shown_and_dealt_with(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(b"no message <b>at</b> all")
    page = open_page("technologist")
    page.goto("/messages")
    expect(page.locator("tbody").first).to_contain_text("could not be read")
    page.get_by_role("link", name="without control id").click()
    expect(page.locator(".raw")).to_have_text("no message <b>at</b> all")
    page.goto("/messages")
    page.get_by_role("button", name="Dealt with").click()
    expect(page.get_by_text("Every message was read and taken.")).to_be_visible()
    newest = house.store.read(lambda reader: reader.audit_newest(5))
    assert ("Tove", "dealt with a message") in [(entry.who, entry.what) for entry in newest]


def test_a_refused_outgoing_message_is_sent_again_or_given_up(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(critical())
    refused_by_receiver(house, "S-1", "AE: unknown specimen")
    page = open_page("technologist")
    expect(page.locator("nav [data-count=refused]")).to_have_text("1")
    page.goto("/outgoing")
    expect(page.get_by_text("AE: unknown specimen")).to_be_visible()
    page.get_by_role("button", name="Send again").click()
    expect(page.get_by_text("Nothing was refused.")).to_be_visible()
    assert house.outgoing("S-1")[0].status == "waiting"
    refused_by_receiver(house, "S-1", "AE: unknown specimen")
    page.reload()
    page.get_by_role("button", name="Take off the list").click()
    expect(page.get_by_text("Nothing was refused.")).to_be_visible()
    assert house.outgoing("S-1")[0].status == "abandoned"
