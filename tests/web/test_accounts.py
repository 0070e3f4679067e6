"""Second factors, sessions and ends of accounts, as people meet them."""

import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pyotp
import pytest
from playwright.sync_api import Browser, Page, expect

from verifier.store import people
from web.house import NAMES, PASSWORD, House, open_house
from web.visits import Visitor, attempt, token_of

NEW = "seven lanterns by the quay"


@pytest.fixture
def strict(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path, second_factor=("administrator",)) as house:
        yield house


def enter(page: Page, name: str) -> None:
    page.goto("/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def test_a_second_factor_from_setting_up_to_being_taken_away(
    strict: House, browser: Browser
) -> None:
    complaints: list[str] = []
    context = browser.new_context(base_url=strict.url)
    page = context.new_page()
    page.on("console", lambda line: complaints.append(line.text))
    enter(page, "Anders")
    expect(page.get_by_text("need a second factor")).to_be_visible()
    assert page.locator(".factor svg").bounding_box()["width"] > 120
    phone = pyotp.TOTP(page.locator(".factor code").inner_text().replace(" ", ""))
    page.get_by_label("The code it shows").fill("000000")
    page.get_by_role("button", name="Confirm").click()
    expect(page.get_by_role("alert")).to_contain_text("does not fit")
    complaints.clear()  # the browser's own line about the status 401
    first = phone.at(strict.time())
    page.get_by_label("The code it shows").fill(first)
    page.get_by_role("button", name="Confirm").click()
    codes = page.locator(".recovery li").all_inner_texts()
    assert len(codes) == 8
    page.get_by_role("link", name="go on").click()
    expect(page.get_by_role("heading", name="Queue")).to_be_attached()
    assert not [text for text in complaints if "Content Security Policy" in text]

    page.get_by_role("button", name="Sign out").click()
    enter(page, "Anders")
    page.get_by_label("Code").fill(first)
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("alert")).to_contain_text("used before")
    page.goto("/")
    expect(page.get_by_label("Code")).to_be_visible()
    strict.time.ahead += timedelta(seconds=90)
    page.get_by_label("Code").fill(phone.at(strict.time()))
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("heading", name="Queue")).to_be_attached()

    with httpx.Client(base_url=strict.url, trust_env=False, timeout=60) as other:
        attempt(other, "Anders", PASSWORD)
        fields = {"csrf": token_of(other.get("/sign-in/step").text), "code": codes[3]}
        assert other.post("/sign-in/code", data=fields).headers["location"] == "/account"
        assert "7 recovery codes left" in other.get("/account").text

    page.goto("/people")
    expect(page.get_by_role("row", name="Anders").first).to_contain_text("set up")
    form = page.get_by_role("form", name="Change somebody")
    form.get_by_label("Who").select_option("Anders")
    form.get_by_label("What").select_option("second")
    form.get_by_label("Your own password").fill(PASSWORD)
    form.get_by_role("button").click()
    expect(page.get_by_role("button", name="Sign in")).to_be_visible()
    said = [entry.what for entry in strict.store.read(lambda r: r.audit_of("person:Anders"))]
    assert "gave the password and has to set up a second factor" in said
    assert "gave the password and has to give a code" in said
    assert said[-1] == "took away a second factor"
    context.close()


def test_whoever_wants_one_has_one_and_wrong_codes_lock(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    assert tove.post("/account/second-factor", password="wrong wrong wrong").status_code == 409
    tove.post("/account/second-factor", password=PASSWORD)
    secret = re.search(r"type into it: <code>([A-Z2-7 ]+)</code>", tove.get("/account").text)[1]
    phone = pyotp.TOTP(secret.replace(" ", ""))
    page = tove.post("/account/second-factor/confirm", code=phone.at(house.time())).text
    assert page.count("<li>") == 8
    assert tove.get("/messages").status_code == 200, "the session that did it goes on"
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as thief:
        for _ in range(house.settings.web.lock_after_failures):
            assert attempt(thief, "Tove", PASSWORD).status_code == 303
            fields = {"csrf": token_of(thief.get("/sign-in/step").text), "code": "123456"}
            assert thief.post("/sign-in/code", data=fields).status_code == 401
        assert attempt(thief, "Tove", PASSWORD).status_code == 401, "locked, by codes alone"


def test_sessions_are_seen_and_ended(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    tove, elsewhere, paula = visit("technologist"), visit("technologist"), visit("pathologist")
    page = tove.get("/account").text
    assert page.count("another program") >= 2
    assert page.count("this one") == 1
    handle = re.search(r'name="handle" value="(\w+)"', page)[1]
    stolen = {"handle": handle, "name": "Tove"}
    paula.post("/account/sessions", **stolen)
    assert elsewhere.get("/messages").status_code == 200, "only one's own"
    tove.post("/account/sessions", handle=handle)
    assert elsewhere.get("/messages").status_code == 401
    assert tove.get("/messages").status_code == 200

    admin = open_page("administrator")
    admin.goto("/people")
    rows = admin.locator("table").nth(1).get_by_role("row")
    expect(rows.filter(has_text="Anders")).to_contain_text("Chrome or one like it on Linux")
    expect(rows.filter(has_text="this one")).to_have_count(1)
    rows.filter(has_text="Paula").get_by_role("button").click()
    expect(rows.filter(has_text="Paula")).to_have_count(0)
    assert paula.get("/messages").status_code == 401
    assert "ended sessions" in [
        e.what for e in house.store.read(lambda r: r.audit_of("person:Paula"))
    ]


def test_a_session_ends_in_any_case_and_a_changed_role_ends_it(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    step = timedelta(minutes=house.settings.web.session_minutes - 5)
    for _ in range(int(house.settings.web.session_hours * 60) // 25):
        house.time.ahead += step
        assert tove.get("/account").status_code == 200
    house.time.ahead += step
    assert tove.get("/account").status_code == 401, "however busy"
    paula = visit("pathologist")
    house.store.write(lambda tx: tx.set_role("Paula", "technologist"))
    assert paula.get("/account").status_code == 401


def test_passwords_and_accounts_have_their_time(tmp_path: Path) -> None:
    with (
        open_house(tmp_path, password_days=90) as house,
        httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client,
    ):
        house.time.ahead += timedelta(days=89)
        assert attempt(client, "Tove", PASSWORD).status_code == 303
        assert client.get("/messages").status_code == 200
        house.time.ahead += timedelta(days=2)
        assert attempt(client, "Tove", PASSWORD).status_code == 303
        assert client.get("/messages").status_code == 401
        csrf = token_of(client.get("/sign-in/step").text)
        fields = {"csrf": csrf, "password": PASSWORD, "new_password": NEW, "again": NEW}
        for wrong, said in (
            ({"again": "other"}, "differ"),
            ({"new_password": PASSWORD, "again": PASSWORD}, "the old one"),
            ({"new_password": "Tove-Tove-2026", "again": "Tove-Tove-2026"}, "guessed"),
            ({"password": "wrong wrong wrong"}, "wrong"),
        ):
            answer = client.post("/sign-in/password", data=fields | wrong)
            assert (answer.status_code, said in answer.text) == (409, True), said
        assert client.post("/sign-in/password", data=fields).status_code == 303
        assert client.get("/messages").status_code == 200

        house.store.write(lambda tx: tx.set_end("Tove", house.time() + timedelta(hours=1)))
        assert attempt(client, "Tove", NEW).status_code == 303
        house.time.ahead += timedelta(minutes=61)
        assert client.get("/messages").status_code == 401, "also an open session"
        assert attempt(client, "Tove", NEW).status_code == 401


def test_one_chooses_another_password_oneself(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove, elsewhere = visit("technologist"), visit("technologist")
    tove.post("/account/password", password=PASSWORD, new_password=NEW, again=NEW)
    assert tove.get("/account").status_code == 200
    assert elsewhere.get("/account").status_code == 401
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client:
        assert attempt(client, "Tove", PASSWORD).status_code == 401
        assert attempt(client, "Tove", NEW).status_code == 303


def test_many_names_from_one_address_are_slowed_down(tmp_path: Path) -> None:
    with (
        open_house(tmp_path, slow_after_failures=6) as house,
        httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client,
    ):
        for number in range(6):
            assert attempt(client, f"guess{number}", PASSWORD).status_code == 401
        answer = attempt(client, NAMES["technologist"], PASSWORD)
        assert answer.status_code == 429, "also the right password"
        assert int(answer.headers["retry-after"]) >= 1
        house.time.ahead += timedelta(seconds=2)
        assert attempt(client, NAMES["technologist"], PASSWORD).status_code == 303
        waits = []
        for number in range(5):
            assert attempt(client, f"again{number}", PASSWORD).status_code == 401
            waits.append(int(attempt(client, "x", PASSWORD).headers["retry-after"]))
            house.time.ahead += timedelta(seconds=waits[-1] + 1)
        assert waits == sorted(waits)
        assert waits[-1] > 8 * waits[0], "each failure makes it longer"
        house.time.ahead += timedelta(minutes=16)
        assert attempt(client, "x", PASSWORD).status_code == 401, "forgotten"


def test_the_same_work_is_done_whether_or_not_there_is_such_a_name(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What could be told by a clock is what is computed: one argon2id of the same parameters."""
    done: list[str] = []
    real = people._hasher

    class Counting:
        def verify(self, hashed: str, password: str) -> bool:
            done.append(hashed.rsplit("$", 2)[0])
            return real.verify(hashed, password)

    monkeypatch.setattr(people, "_hasher", Counting())
    house.store.write(lambda tx: tx.lock_person("Paula"))
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client:
        for name in ("nobody", "Tove", "Paula", "", "x" * 200):
            assert attempt(client, name, "wrong wrong wrong").status_code == 401
    assert len(done) == 5
    assert len(set(done)) == 1
