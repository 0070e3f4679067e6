"""Who gets in, who does not, and for how long."""

from collections.abc import Callable
from datetime import timedelta

import httpx
import pytest
from playwright.sync_api import Page, expect

from web.house import PASSWORD, House
from web.visits import Visitor, attempt


@pytest.fixture
def client(house: House) -> httpx.Client:
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as one:
        yield one


def test_the_door_shows_the_cautions_and_lets_in(open_page: Callable[..., Page]) -> None:
    page = open_page()
    page.goto("/")
    expect(page).to_have_url("/sign-in?next=/")
    for caution in ("Not a medical device by itself", "its director approves them"):
        expect(page.get_by_text(caution)).to_be_visible()
    page.keyboard.type("Tove")
    page.keyboard.press("Tab")
    page.keyboard.type("not this password")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("wrong")
    page.get_by_label("Name").fill("Tove")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Queue")).to_be_attached()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()
    page.goto("/")
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()


def test_too_many_wrong_passwords_lock_and_time_unlocks(house: House, client: httpx.Client) -> None:
    for _ in range(house.settings.web.lock_after_failures):
        assert attempt(client, "Tove", "wrong wrong wrong").status_code == 401
    assert attempt(client, "Tove", PASSWORD).status_code == 401
    assert attempt(client, "Paula", PASSWORD).status_code == 303, "only the one is locked"
    house.time.ahead += timedelta(minutes=house.settings.web.lock_minutes + 1)
    assert attempt(client, "Tove", PASSWORD).status_code == 303


def test_an_unknown_name_is_answered_like_a_wrong_password(client: httpx.Client) -> None:
    unknown = attempt(client, "Nobody", PASSWORD)
    wrong = attempt(client, "Tove", "wrong wrong wrong")
    assert (unknown.status_code, unknown.text) == (wrong.status_code, wrong.text)


def test_the_session_cookie_is_out_of_reach(client: httpx.Client) -> None:
    cookie = next(
        value
        for value in attempt(client, "Tove", PASSWORD).headers.get_list("set-cookie")
        if value.startswith("verifier_session")
    ).lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_a_session_ends_when_nobody_uses_it(house: House, visit: Callable[[str], Visitor]) -> None:
    tove = visit("technologist")
    house.time.ahead += timedelta(minutes=house.settings.web.session_minutes - 1)
    assert tove.get("/messages").status_code == 200, "use prolongs it"
    house.time.ahead += timedelta(minutes=house.settings.web.session_minutes - 1)
    assert tove.get("/messages").status_code == 200
    house.time.ahead += timedelta(minutes=house.settings.web.session_minutes + 1)
    assert tove.get("/messages").status_code == 401


def test_a_stolen_cookie_is_worth_nothing_after_sign_out(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    stolen = dict(tove.client.cookies)
    tove.post("/sign-out")
    with httpx.Client(base_url=house.url, trust_env=False, cookies=stolen, timeout=60) as thief:
        assert thief.get("/messages").status_code == 401


@pytest.mark.parametrize("path", ["//elsewhere.example", "https://elsewhere.example", "/\\x", "x"])
def test_signing_in_never_leads_off_the_site(client: httpx.Client, path: str) -> None:
    assert attempt(client, "Tove", PASSWORD, next=path).headers["location"] == "/"


def test_signing_in_leads_back_to_where_one_was(client: httpx.Client) -> None:
    answer = attempt(client, "Tove", PASSWORD, next="/controls")
    assert answer.headers["location"] == "/controls"
