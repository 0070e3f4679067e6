"""What rules did in service on the page, and an override that becomes a scenario by one click."""

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from verifier.language import check
from verifier.rulefiles import read_files
from verifier.service import actions, settling
from verifier.service.ruleshelf import shelf, texts
from verifier.service.rulestart import start_rules
from verifier.store.rows import Person
from web.house import NAMES, RULES, House, critical, message
from web.visits import Visitor


def settle(house: House, specimen: str, how: Callable[..., None], comment: str) -> None:
    who = Person(NAMES["pathologist"], "pathologist", False, 0, None, house.time())
    case, judge = house.case_of(specimen), house.line.judge
    stored = house.store.read(lambda reader: reader.case(case))
    assert stored is not None
    places = settling.open_entries(stored.record)
    house.store.write(lambda tx: how(tx, judge, who, case, places, comment, house.time()))


def row(page: Page, rule: str) -> Page:
    return page.locator("#usage tbody tr", has=page.get_by_role("rowheader", name=rule, exact=True))  # type: ignore[return-value]


def test_an_override_becomes_a_scenario_by_one_click(
    house: House, open_page: Callable[..., Page]
) -> None:
    started = start_rules(house.store, house.settings, house.time)
    house.line.use(started.program, started.version)
    house.take(critical("S-1", patient="777001", name="Rosenkilde^Wilhelmina", born="19311224"))
    house.take(critical("S-2", patient="777002", name="Rosenkilde^Otto"))
    house.take(critical("S-3", patient="777003"))
    settle(house, "S-1", actions.release, "")
    settle(house, "S-2", actions.reject, "hemolyzed by eye")
    page = open_page("administrator")
    page.goto("/rules")
    page.get_by_role("link", name="What rules did").click()
    cells = row(page, "critical").locator("td")
    assert cells.all_inner_texts()[:3] == ["3", "0", "1"]
    expect(row(page, "critical")).to_contain_text(re.compile(r"\d+ (s|min)"))
    expect(row(page, "hemolysed-ast")).to_contain_text("never held anything")
    expect(page.get_by_text("3 specimens since")).to_be_visible()
    page.get_by_role("link", name="critical", exact=True).click()
    expect(page.get_by_role("heading", name="although critical held it")).to_be_visible()
    page.get_by_role("button", name="Write as a scenario").click()
    expect(page.get_by_role("status").filter(has_text="It fails under")).to_be_visible()
    text = page.get_by_label("To copy into a rule file").input_value()
    for sign in ("Rosenkilde", "Wilhelmina", "777001", "S-1", "1931", "3 East"):
        assert sign not in text
    assert "woman of 90 years" in text
    assert "potassium 6.9 mmol/L" in text
    assert "expect potassium released" in text
    assert check({**read_files(RULES)[0], "mine.rules": text}).program is not None
    assert ("Anders", "wrote a scenario from an override") in house.audited("S-1")
    forbids = "the guarantee “nothing critical leaves alone” forbids it"
    expect(page.get_by_role("alert")).to_contain_text(forbids)
    expect(page.get_by_text("The check of this draft fails as long as")).to_be_visible()
    drafted = house.store.read(lambda reader: shelf(reader, house.time()).versions[0].version)
    assert (drafted.author, drafted.based_on) == ("Anders", started.version)
    kept = house.store.read(lambda reader: texts(reader, drafted.id))
    assert text in kept.files["from-service.rules"]
    page.get_by_role("link", name="To the specimen").click()
    page.get_by_role("button", name="Write as a scenario").click()  # from the specimen as well
    assert page.get_by_label("To copy into a rule file").input_value() == text
    versions = house.store.read(lambda reader: shelf(reader, house.time()).versions)
    assert len(versions) == 2  # the second click found it there


def test_what_nobody_overrode_becomes_no_scenario(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical("S-1"))
    house.take(message("S-2", {"albumin": "41"}, patient="100002"))
    tove = visit("technologist")
    case = house.case_of("S-1")
    held = tove.post("/rules/usage/scenario", case=case, place=1)
    assert held.status_code == 409
    assert "No person has released this result" in held.text
    free = tove.post("/rules/usage/scenario", case=house.case_of("S-2"), place=0)
    assert free.status_code == 409
    assert tove.post("/rules/usage/scenario", case=1, place=0).status_code == 409
    assert tove.post("/rules/usage/scenario", case=case, place=99).status_code == 409
    assert "wrote a scenario from an override" not in {what for _, what in house.audited("S-1")}
    assert tove.get("/rules/usage?days=12345&rule=none").status_code == 200
