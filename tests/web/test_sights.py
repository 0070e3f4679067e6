"""Who saw which patient: no page shows one without a word in the audit log."""

from collections.abc import Callable

import httpx
import pytest
from playwright.sync_api import Page, expect

from verifier.web.sights import Sights
from web.house import NAMES, House, critical, message, refused_by_receiver
from web.routetable import route_table
from web.visits import Visitor

NAME, NUMBER = "Zzyzx", "77123456"
SPECIMEN = "S-1"


@pytest.fixture
def seen(house: House) -> House:
    """A house with one patient on every list: held, waiting to leave, refused, not understood."""
    house.take(critical(SPECIMEN, name=f"{NAME}^Ada", patient=NUMBER))
    return house


def ids_of(house: House) -> list[int]:
    case = house.case_of(SPECIMEN)
    stored = house.store.read(lambda r: r.case(case))
    sent = house.outgoing(SPECIMEN)
    return [case, stored.record.entries[0].message, *(row.id for row in sent)]


@pytest.mark.parametrize("role", ["pathologist", "administrator"])
def test_every_page_that_shows_a_patient_says_so_in_the_log(
    seen: House, visit: Callable[[str], Visitor], role: str
) -> None:
    refused_by_receiver(seen, SPECIMEN, "no such patient")
    one, ids, shown = visit(role), ids_of(seen), set()
    subjects = {f"{kind}:{n}" for kind in ("case", "message", "outgoing") for n in ids} | {"audit"}
    values = [SPECIMEN, NUMBER, NAMES[role], f"case:{ids[0]}", "critical-potassium"]
    desk = seen.server.config.app.state.desk
    for line in route_table(seen):
        if line.method != "GET" or line.watching:
            continue
        places = [line.filled(n) for n in ids] if "{" in line.path else [line.path]
        queries = ["", *(f"?{field}={value}" for field in line.fields for value in values)]
        for place in [f"{place}{query}" for place in places for query in queries]:
            desk.sights = Sights(seen.store)  # nothing was listed to this session before
            start = seen.store.read(lambda r: r.audit_head()).size
            text = one.get(place).text
            if NAME in text or (NUMBER in text and NUMBER not in place):
                told = seen.store.read(lambda r, n=start: list(r.audit_stored(n)))
                assert {entry.subject for entry in told} & subjects, f"{place} told nobody"
                shown.add(line.path)
    expected = {"/", "/queue/rows", "/case/{case_id}", "/messages/{message_id}"}
    expected |= {"/outgoing/{outgoing_id}", "/audit", "/audit/patient", "/audit/person"}
    assert shown >= expected, expected - shown


def test_a_list_is_put_on_record_once_per_session_and_specimen(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical(SPECIMEN, patient=NUMBER))
    tove = visit("technologist")
    for _ in range(3):
        tove.get("/")
        tove.get("/queue/rows")
    assert house.audited(SPECIMEN).count(("Tove", "saw in a list")) == 1
    house.take(critical("S-2", patient="2"))
    tove.get("/queue/rows")
    assert house.audited("S-2").count(("Tove", "saw in a list")) == 1
    visit("technologist").get("/")
    assert house.audited(SPECIMEN).count(("Tove", "saw in a list")) == 2
    assert "saw in a list" not in tove.get(f"/case/{house.case_of(SPECIMEN)}").text


def test_who_saw_a_patient_and_whom_a_person_saw(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    house.take(critical(SPECIMEN, name=f"{NAME}^Ada", patient=NUMBER))
    house.take(message("S-2", {"sodium": "127"}, patient="2", name="Other^Olga"))
    case, raw, out, *_ = ids_of(house)
    tove = visit("technologist")
    for path in (f"/case/{case}", f"/messages/{raw}", f"/outgoing/{out}"):
        assert tove.get(path).status_code == 200
    page = open_page("pathologist")
    page.goto("/audit")
    page.get_by_role("link", name="Who saw a patient").click()
    page.get_by_label("Specimen, or key").fill(SPECIMEN)
    page.get_by_role("button", name="Show").click()
    rows = page.get_by_role("row").filter(has_text="Tove")
    expect(rows).to_have_count(3)
    for subject in (f"case:{case}", f"message:{raw}", f"outgoing:{out}"):
        expect(rows.filter(has_text=subject)).to_contain_text("looked at")
    expect(page.get_by_role("row").filter(has_text="Paula")).to_contain_text("saw in a list")

    page.get_by_role("link", name="Whom a person saw").click()
    page.get_by_label("Person").fill("Tove")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("row").filter(has_text=NAME).first).to_contain_text(SPECIMEN)
    expect(page.get_by_text("Other")).to_have_count(0)
    asked = [e.what for e in house.store.read(lambda r: r.audit_of("audit")) if e.who == "Paula"]
    assert asked[-1] == "asked whom a person saw"
    assert "asked who saw a patient" in asked
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as stranger:
        assert stranger.get("/audit/patient?find=S-1").status_code == 401
