"""One specimen: what is shown of it, and what a signature does."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from playwright.sync_api import Page, expect

from web.house import NORMAL, PASSWORD, House, critical, message
from web.visits import Visitor


def open_case(page: Page, house: House, specimen: str = "S-1") -> None:
    page.goto(f"/case/{house.case_of(specimen)}")


def sign(page: Page, action: str, comment: str = "", password: str = PASSWORD) -> None:
    page.get_by_role("radio", name=action).check(force=True)
    page.get_by_label("Why, although a rule held it").select_option("FITS")
    page.get_by_label("Comment or reason").fill(comment)
    page.locator("#sign").get_by_label("Your password").fill(password)
    page.locator("#go").click()


def states(house: House, specimen: str = "S-1") -> dict[str, str]:
    stored = house.store.read(lambda reader: reader.case_by_specimen(specimen))
    assert stored is not None
    return {entry.observation.name: entry.state for entry in stored.record.entries}


def test_a_case_shows_value_limit_history_reason_control_and_record(
    house: House, open_page: Callable[..., Page]
) -> None:
    ago = datetime.now(UTC) - timedelta(days=20)
    earlier = message("S-0", NORMAL, indices={"H-INDEX": "0.1"}, collected=ago)
    house.take(earlier)
    house.take(critical())
    page = open_page("technologist")
    open_case(page, house)
    line = page.locator(".line", has=page.get_by_role("rowheader", name="Potassium 2823-3"))
    for text in ("6.9 mmol/L", "HH", "3.5-5.2", "4.2", "+2.7", "Held", "in control"):
        expect(line).to_contain_text(text)
    expect(line).to_contain_text("Potassium 6.9 mmol/L is beyond the critical limit")
    drawing = line.get_by_role("img", name="Values over time, oldest first: 4.2, 6.9")
    expect(drawing).to_be_visible()
    expect(page.locator(".asks")).to_contain_text("call")
    expect(page.get_by_role("rowgroup").filter(has_text="Anion gap").first).to_be_visible()
    page.locator(".more summary", has_text="Messages").click()
    segment = page.locator(".segments .ours", has_text="OBX|2|NM|2823-3^Potassium^LN||6.9")
    segment.locator("summary").click()
    expect(segment).to_contain_text("OBX-5 Observation value")
    page.locator(".more").get_by_role("link", name="Message").click()
    expect(page.locator(".raw").first).to_contain_text("OBX|2|NM|2823-3^Potassium^LN||6.9")
    assert ("Tove", "looked at") in house.audited("S-1")


def test_what_stands_behind_a_result_is_read_by_keyboard(
    house: House, open_page: Callable[..., Page]
) -> None:
    for number, (days, value) in enumerate(((90, "4.1"), (40, "4.9"), (3, "4.4"))):
        ago = datetime.now(UTC) - timedelta(days=days)
        values = NORMAL | {"potassium": value}
        indices = {"H-INDEX": "0.1"}
        house.take(message(f"OLD-{number}", values, indices=indices, collected=ago))
    flagged = critical().replace(b"6.9|mmol/L|||||F", b"6.9|mmol/L|3.4-5.0|HH~W|||F")
    flagged = flagged.replace(b"OBX|3|", b"NTE|1|L|rerun, same value\rOBX|3|")
    house.take(flagged)
    page = open_page("technologist")
    open_case(page, house)
    line = page.locator(".line", has=page.get_by_role("rowheader", name="Potassium 2823-3"))
    expect(line.locator(".delta")).to_contain_text("rose by 2.5 mmol/L (57 %) in 2 d 23 h")
    line.locator(".deeper summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    readout = line.locator(".readout").locator("visible=true")
    expect(readout).to_contain_text("6.9 mmol/L, this specimen")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    expect(readout).to_have_count(1)
    expect(readout).to_contain_text("4.9 mmol/L")
    expect(readout).to_contain_text("specimen OLD-1, AN-1")
    line.locator(".dot .reach").first.hover()
    expect(readout).to_contain_text("4.1 mmol/L")
    expect(line.locator(".past tbody tr")).to_have_count(3)
    for text in ("above upper panic limits", "W worse", "rerun, same value", "3.4-5.0"):
        expect(line.locator(".said")).to_contain_text(text)
    for text in ("critical limit", "change limit", "adult"):
        expect(line.locator(".behind")).to_contain_text(text)
    derived = page.locator(".line", has=page.get_by_role("rowheader", name="Anion gap 33037-3"))
    derived.locator(".deeper summary").click()
    expect(derived).to_contain_text("139 mmol/L - 102 mmol/L - 25 mmol/L")
    near = page.locator(".more details", has_text="Other specimens of the patient")
    expect(near.locator("tbody tr")).to_have_count(1)
    near.get_by_role("link", name="OLD-2").click()
    expect(page.locator(".subject")).to_contain_text("OLD-2")
    page.go_back()
    page.get_by_role("link", name="The whole case for paper").click()
    expect(page.locator("nav, #sign")).to_have_count(0)
    expect(page.locator(".chart").first).to_be_visible()


def test_a_signed_release_leaves_and_is_on_record(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(critical())
    before = len(house.outgoing("S-1"))
    page = open_page("technologist")
    open_case(page, house)
    assert page.locator("#go").inner_text() == "Sign"
    page.get_by_role("radio", name="Release").check(force=True)
    expect(page.locator("#go")).to_have_text("Sign: release 1 of 1")
    sign(page, "Release", "phoned to ward")
    expect(page.locator(".notice.done")).to_have_text("Specimen S-1: released.")
    expect(page.locator(".specimen")).to_have_count(0)
    sent = house.outgoing("S-1")[before:]
    assert len(sent) == 1
    assert b"2823-3^Potassium^LN||6.9" in sent[0].payload
    assert b"phoned to ward" in sent[0].payload
    assert states(house)["Potassium"] == "released"
    assert ("Tove", "released") in house.audited("S-1")


def test_a_wrong_password_signs_nothing_and_keeps_what_was_written(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(critical())
    before = len(house.outgoing("S-1"))
    page = open_page("technologist")
    open_case(page, house)
    sign(page, "Release", "phoned to ward", "not this password")
    expect(page.get_by_role("alert")).to_contain_text("wrong")
    expect(page.get_by_label("Comment or reason")).to_have_value("phoned to ward")
    expect(page.get_by_role("radio", name="Release")).to_be_checked()
    assert states(house)["Potassium"] == "open"
    assert len(house.outgoing("S-1")) == before


def test_rejecting_needs_a_reason_and_sends_nothing(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    before = len(house.outgoing("S-1"))
    case, version = house.case_of("S-1"), 1
    place = list(states(house)).index("Potassium")
    fields = {"action": "reject", "places": place, "version": version, "password": PASSWORD}
    refused = visit("technologist").post(f"/case/{case}/sign", **fields)
    assert refused.status_code == 409
    assert "Say why" in refused.text
    page = open_page("pathologist")
    open_case(page, house)
    sign(page, "Reject", "clotted")
    expect(page.locator(".notice.done")).to_contain_text("rejected")
    assert states(house)["Potassium"] == "rejected"
    assert len(house.outgoing("S-1")) == before
    assert ("Paula", "rejected") in house.audited("S-1")


def test_asking_for_a_new_specimen_settles_all_that_is_open(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(message("S-1", {**NORMAL, "glucose": "28.4", "sodium": "127"}))
    page = open_page("technologist")
    open_case(page, house)
    page.get_by_role("checkbox").first.uncheck()
    sign(page, "New specimen", "drawn from the arm with the infusion")
    expect(page.locator(".notice.done")).to_contain_text("a new specimen is asked for")
    assert "open" not in states(house).values()
    assert ("Tove", "asked for a new specimen") in house.audited("S-1")


def test_two_people_at_once_the_second_is_told_kindly(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(critical())
    tove, paula = open_page("technologist"), open_page("pathologist")
    open_case(tove, house)
    open_case(paula, house)
    sign(tove, "Release", "first")
    expect(tove.locator(".notice.done")).to_be_visible()
    expect(paula.locator("#stale")).to_contain_text("somebody settled it")
    before = len(house.outgoing("S-1"))
    sign(paula, "Reject", "second")
    expect(paula.get_by_role("alert")).to_contain_text("changed meanwhile")
    assert states(house)["Potassium"] == "released"
    assert len(house.outgoing("S-1")) == before
    assert ("Paula", "rejected") not in house.audited("S-1")


def test_a_value_that_arrived_meanwhile_is_not_signed_unseen(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    tove, case = visit("technologist"), house.case_of("S-1")
    place = list(states(house)).index("Potassium")
    house.take(critical(control_id="again", status="C"))
    fields = {"action": "release", "places": place, "version": 1, "password": PASSWORD}
    assert tove.post(f"/case/{case}/sign", **fields).status_code == 409


def test_a_script_in_a_name_is_text(house: House, open_page: Callable[..., Page]) -> None:
    name = "<script>document.title='taken'</script>^<img src=x onerror=alert(1)>"
    house.take(critical(name=name))
    page = open_page("technologist")
    expect(page.locator(".patient")).to_contain_text("<script>document.title='taken'</script>")
    open_case(page, house)
    expect(page.locator("h1")).to_contain_text("<img src=x onerror=alert(1)>")
    assert page.locator("h1 img, h1 script").count() == 0
    assert "taken" not in page.title()


def test_a_case_that_is_not_there(visit: Callable[[str], Visitor]) -> None:
    assert "no such specimen" in visit("technologist").get("/case/12").text
