"""Markup in whatever people and senders write is text on every page, in a real browser.

The texts are the usual first ones to try (OWASP, from memory). A page fails if a dialog opens, a
script of ours runs, or the browser says that the policy of the page forbade something.
"""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from verifier.service import ruleshelf
from verifier.store.people import hash_password
from verifier.store.rulerows import RuleTexts
from web.house import PASSWORD, House, critical, open_house, refused_by_receiver
from web.routetable import route_table

SCRIPT = "<script>alert(1)</script>"
IMAGE = "\"'><img src=x onerror=alert(2)>"
TEMPLATE = "{{ 7 * 7 }}{% raw %}</td></textarea></title>"
SPECIMEN = f"S-1{SCRIPT}"
NASTY = f"{IMAGE} {SCRIPT} {TEMPLATE}"


@pytest.fixture
def nasty(tmp_path: Path) -> Iterator[House]:
    with open_house(tmp_path, {"laboratory": f"Lab {SCRIPT}"}, versions=True) as house:
        _fill(house)
        yield house


def _fill(house: House) -> None:
    hashed = hash_password(PASSWORD)
    raw = critical(SPECIMEN, name=f"{NASTY}^{SCRIPT}", patient=f"P{SCRIPT}", control_id="M-1")
    house.take(raw)
    house.take(
        b"MSH|^~\\&|" + f"{SCRIPT}|{IMAGE}|||||ZZZ^{SCRIPT}|{SCRIPT}".encode() + b"|P|2.5.1\r"
    )
    refused_by_receiver(house, SPECIMEN, NASTY)
    texts = house.store.read(lambda r: ruleshelf.texts(r, 1))
    name = min(texts.files)
    files = {**texts.files, name: f"# {NASTY}\n{texts.files[name]}"}

    def work(tx: object) -> None:
        tx.add_person(NASTY, "technologist", hashed)
        tx.suspend("test", "sodium", NASTY, NASTY)
        tx.set_control_state("sodium", "out of control", NASTY, NASTY)
        tx.audit(NASTY, NASTY, f"case:{house.case_of(SPECIMEN)}", {NASTY: [NASTY]})
        tx.open_session(NASTY, timedelta(minutes=30), agent=NASTY, address=NASTY)
        draft = ruleshelf.add(tx, NASTY, RuleTexts(files, texts.parameters), NASTY, 1)
        assert draft.id == 2

    house.store.write(work)


def test_markup_is_text_on_every_page(nasty: House, browser: Browser) -> None:
    ran: list[str] = []
    context = browser.new_context(base_url=nasty.url)
    page = context.new_page()
    page.on("dialog", lambda dialog: (ran.append(f"dialog {dialog.message}"), dialog.dismiss()))
    page.on("pageerror", lambda error: ran.append(str(error)))
    page.on("console", lambda line: ran.append(line.text) if "Security Policy" in line.text else 0)
    page.goto("/sign-in")
    page.get_by_label("Name").fill("Anders")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("/")
    shown = {place for place in places(nasty) if shows(page, place)}
    assert not ran
    patterns = ("/case/", "/messages/", "/outgoing/", "/rules/draft/2", "/rules/file?")
    for start in patterns:
        assert any(place.startswith(start) for place in shown), f"{start} shows none of it"
    assert shown >= {"/", "/people", "/suspension", "/controls", "/audit", "/messages", "/outgoing"}
    context.close()


def shows(page: Page, place: str) -> bool:
    answer = page.goto(place)
    assert answer is not None
    assert answer.status < 500, place
    assert page.locator("img[src=x]").count() == 0, f"{place} took text for markup"
    assert not page.evaluate("[...document.scripts].some(one => one.text.includes('alert'))"), place
    return "alert(" in page.locator("main, body").first.inner_text() or "alert(" in page.content()


def places(house: House) -> list[str]:
    case = house.case_of(SPECIMEN)
    sent = house.outgoing(SPECIMEN)[0].id
    heard = [one.message_id for one in house.store.read(lambda r: r.problems())]
    numbers = {"case_id": [case], "message_id": heard, "outgoing_id": [sent], "number": [1, 2]}
    found = []
    for line in route_table(house):
        if line.method != "GET" or line.watching or line.path.endswith((".csv", ".pdf", "readyz")):
            continue
        key = line.path.partition("{")[2].partition("}")[0]
        for number in numbers.get(key, [1]):
            place = line.filled(number)
            found.append(place)
            found += [f"{place}?{field}={IMAGE}{SCRIPT}" for field in line.fields]
    return [*found, f"/audit?subject=case:{case}", "/audit/person?name=Anders"]
