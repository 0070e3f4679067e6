"""Acts on the page: taking back, signatures, corrections, requests, calls, and two at once."""

import re
from collections.abc import Callable
from datetime import timedelta

from playwright.sync_api import Page, expect

from web.house import NAMES, NORMAL, PASSWORD, House, critical, message
from web.test_case import open_case, sign, states
from web.visits import Visitor

LOW = {**NORMAL, "sodium": "128"}  # held by a rule, and nobody is to be called


def held(house: House, specimen: str = "S-1") -> None:
    house.take(message(specimen, LOW, indices={"H-INDEX": "0.1"}))


def place_of(house: House, name: str, specimen: str = "S-1") -> int:
    return list(states(house, specimen)).index(name)


def test_what_was_released_is_taken_back_from_the_queue_and_released_anew(
    house: House, open_page: Callable[..., Page]
) -> None:
    held(house)
    page = open_page("technologist")
    open_case(page, house)
    page.get_by_role("radio", name="Release").check(force=True)
    expect(page.locator("#sign")).to_have_class("signbar unsigned overrides")
    page.locator("#go").click()
    expect(page.get_by_role("alert").filter(has_text="Say why")).to_be_visible()
    page.get_by_label("or in your words").fill("known hyponatremia")
    page.get_by_text("Comments by code").click()
    page.get_by_role("checkbox", name="CHECKED").check()
    page.locator("#go").click()
    expect(page.locator(".notice.done")).to_contain_text("released")
    page.get_by_role("button", name="Take it back").click()
    page.wait_for_url("**/case/*")
    assert states(house)["Sodium"] == "open"
    assert [row.status for row in house.outgoing("S-1")][-1] == "taken back"
    sign(page, "Release", "and as free text", "")
    expect(page.locator(".notice.done")).to_contain_text("released")
    last = house.outgoing("S-1")[-1]
    assert last.status == "waiting"
    assert b"2951-2^Sodium^LN||128" in last.payload
    house.time.ahead = timedelta(seconds=11)
    page.reload()
    expect(page.get_by_role("button", name="Take it back")).to_have_count(0)
    trail = house.audited("S-1")
    assert trail.count(("Tove", "released")) == 2
    assert ("Tove", "took back") in trail


def test_who_has_to_give_the_password_again(house: House, visit: Callable[[str], Visitor]) -> None:
    house.take(critical())
    tove, case = visit("technologist"), house.case_of("S-1")
    fields = {"places": place_of(house, "Potassium"), "version": 1, "reason": "REPEATED"}

    def post(action: str, **more: object) -> tuple[int, str]:
        answer = tove.post(f"/case/{case}/sign", action=action, **{**fields, **more})
        return answer.status_code, answer.text

    code, text = post("release")
    assert (code, "released with your password" in text) == (409, True)
    assert post("suppress", comment="hemolyzed")[0] == 409
    assert post("suppress", comment="hemolyzed", password=PASSWORD)[0] == 303
    assert states(house)["Potassium"] == "suppressed"
    assert b"not reported" in house.outgoing("S-1")[-1].payload
    assert tove.post(f"/case/{case}/correct", version=2, place=0, how="withdraw").status_code == 403


def test_a_pathologist_corrects_and_a_technologist_does_not_see_how(
    house: House, open_page: Callable[..., Page]
) -> None:
    house.take(critical())
    tove, paula = open_page("technologist"), open_page("pathologist", 1024)
    open_case(tove, house)
    expect(tove.get_by_text("Correct what has left")).to_have_count(0)
    open_case(paula, house)
    paula.get_by_text("Correct what has left").click()
    form = paula.locator("#correct")
    form.get_by_label("Result").select_option(label="Glucose 5.2 mmol/L")
    form.get_by_label("New value, in the unit as sent").check()
    form.get_by_label("The new value", exact=True).fill("5.9")
    form.get_by_label("Reason").fill("wrong tube")
    form.get_by_label("Your password").fill("not this password")
    form.get_by_role("button").click()
    expect(paula.get_by_role("alert").filter(has_text="wrong")).to_be_visible()
    expect(form.get_by_label("Reason")).to_have_value("wrong tube")
    form.get_by_label("Your password").fill(PASSWORD)
    form.get_by_role("button").click()
    line = paula.locator(".line", has=paula.get_by_role("rowheader", name="Glucose"))
    expect(line).to_contain_text("corrects 5.2 mmol/L")
    assert b"OBX|7|NM|14749-6^Glucose^LN||5.9|mmol/L||N|||C" in house.outgoing("S-1")[-1].payload
    assert ("Paula", "corrected") in house.audited("S-1")


def test_a_rerun_is_asked_for_listed_and_called_off(
    house: House, open_page: Callable[..., Page]
) -> None:
    held(house)
    page = open_page("technologist")
    open_case(page, house)
    page.get_by_role("radio", name="Rerun").check(force=True)
    expect(page.locator("#go")).to_have_text(re.compile(r"Sign: ask for rerun of \d"))
    page.locator("#go").click()
    expect(page.locator(".notice.done")).to_contain_text("a rerun is asked for")
    assert states(house)["Sodium"] == "open"
    open_case(page, house)
    page.locator("main").get_by_role("link", name="Requests").click()
    row = page.locator("tbody tr", has_text="rerun")
    expect(row).to_contain_text("by this list")
    row.get_by_role("button", name="Call off").click()
    expect(page.get_by_role("alert").filter(has_text="called off")).to_be_visible()
    row.get_by_label("Note").fill("too little specimen")
    row.get_by_role("button", name="Call off").click()
    expect(page.get_by_text("Nothing is asked for.")).to_be_visible()


def test_a_critical_result_is_told_step_by_step_and_two_do_not_tell_it_twice(
    house: House, open_page: Callable[..., Page], visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    tove, paula = open_page("technologist"), open_page("pathologist", 1024, "dark")
    tove.get_by_role("link", name="Calls 1").click()
    paula.goto("/calls")
    call = tove.locator(".call")
    expect(call).to_contain_text("Potassium 6.9 mmol/L HH")
    expect(call).to_contain_text("Step 1 of 3: call whoever asked for the test")
    for _ in range(2):
        call.get_by_label("Reached nobody").check()
        call.get_by_label("Name of whom you called").fill("ward 3 East")
        call.get_by_role("button", name="Put on record").click()
        expect(tove.locator(".call ol")).to_contain_text("Tove called ward 3 East, reached nobody")
    expect(call).to_contain_text("Step 2 of 3: call the doctor on duty of the ward")
    for minutes in (20, 31):  # a session lasts half an hour from the last look
        house.time.ahead = timedelta(minutes=minutes)
        tove.reload()
        if minutes == 20:
            paula.reload()
    expect(call.locator(".clock")).to_contain_text("OVERDUE")
    expect(tove.locator("#overdue")).to_contain_text("One critical result has not been told")
    call.get_by_label("Told and taken").check()
    call.get_by_label("Name of whom you called").fill("Dr Example")
    call.get_by_label("Role").fill("doctor on duty")
    call.get_by_role("button", name="Put on record").click()
    expect(tove.get_by_role("alert").filter(has_text="read back")).to_be_visible()
    expect(call.get_by_label("Name of whom you called")).to_have_value("Dr Example")
    call.get_by_label("It was read back to me").check()
    call.get_by_role("button", name="Put on record").click()
    expect(tove.get_by_text("Nothing has to be told.")).to_be_visible()
    second = paula.locator(".call")
    second.get_by_label("Known, no call").check()
    second.get_by_label("Note").fill("dialysis tonight")
    second.get_by_role("button", name="Put on record").click()
    expect(paula.get_by_role("alert").filter(has_text="closed meanwhile by Tove")).to_be_visible()
    tove.get_by_role("link", name="How long calls took").click()
    expect(tove.locator(".figures")).to_contain_text("0 of 1")
    csv = visit("technologist").get("/calls/report.csv").text.splitlines()
    assert csv[0].startswith("opened,due,test,title,value")
    assert ",potassium,Potassium,6.9,mmol/L,HH,critical,told," in csv[1]
    assert csv[1].endswith("Tove,Dr Example,doctor on duty,")
    assert "told,1" in csv


def test_what_was_typed_outlives_a_session_that_ended(
    house: House, open_page: Callable[..., Page]
) -> None:
    held(house)
    page = open_page("technologist")
    open_case(page, house)
    house.time.ahead = timedelta(hours=2)
    sign(page, "Release", "a long comment", "")
    page.wait_for_url("**/sign-in?next=/case/*")
    page.get_by_label("Name").fill(NAMES["technologist"])
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/case/*")
    expect(page.get_by_label("Comment or reason")).to_have_value("a long comment")
    expect(page.get_by_role("radio", name="Release")).to_be_checked()
    assert states(house)["Sodium"] == "open", "nothing was done"
    page.locator("#go").click()
    expect(page.locator(".notice.done")).to_contain_text("released")
