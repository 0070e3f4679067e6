"""The trail of a result: everything in the order of time, with proof that the log holds it."""

import re
from collections.abc import Callable
from html import unescape

from databases import change_behind

from verifier.web.trail import trail_of
from web.house import PASSWORD, House, critical
from web.visits import Visitor


def place_of(house: House, test: str = "Potassium", state: str = "") -> int:
    stored = house.store.read(lambda reader: reader.case_by_specimen("S-1"))
    assert stored is not None
    entries = stored.record.entries
    return next(
        at
        for at in reversed(range(len(entries)))
        if entries[at].observation.name == test and state in ("", entries[at].state)
    )


def released_and_sent(house: House, tove: Visitor) -> int:
    """A critical result, released by a person; the LIS took the messages. Return the case."""
    house.take(critical())
    case = house.case_of("S-1")
    fields = {"action": "release", "places": place_of(house), "comment": "phoned", "why": "seen"}
    answer = tove.post(f"/case/{case}/sign", version=1, password=PASSWORD, **fields)
    assert answer.status_code == 303
    for row in house.outgoing("S-1"):
        house.store.write(lambda tx, number=row.id: tx.mark_sent(number, "AA V1"))
    return case


def shown(page: str) -> list[str]:
    steps = re.findall(r"<p><b>(.*?)</b>(?: · ([^<·]*))?", page.split('class="trail"')[1])
    return [" ".join(part.strip() for part in step if part.strip()) for step in steps]


def test_everything_is_told_in_the_order_of_time(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    case = released_and_sent(house, tove)
    page = visit("pathologist").get(f"/case/{case}/trail/{place_of(house)}").text
    assert shown(page) == [
        "message received chemistry",
        "opened a call verifier",
        "facts read",
        "decided rules",
        "released Tove",
        "put out verifier",
        "sent lis",
        "looked at Paula",
    ]
    text = unescape(page)
    control_id = house.outgoing("S-1")[-1].control_id
    for said in (
        "ORU^R01 MS-1 of ANALYZER LAB.",
        "Segment 7 says 2823-3 LN: 6.9 mmol/L, status F.",
        "It was answered AA.",
        "6.9 mmol/L was read as Potassium: 6.9 mmol/L.",
        "Potassium 6.9 mmol/L is held, flag HH, reference 3.5-5.2.",
        "beyond the critical limit above 6.2 mmol/L",
        "comment: phoned",
        f"Message {control_id} for lis.",
        f"Message {control_id}: AA V1, attempt 1.",
    ):
        assert said in text, said


def test_what_others_did_to_other_results_is_not_in_it(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    case = released_and_sent(house, visit("technologist"))
    steps = shown(visit("technologist").get(f"/case/{case}/trail/{place_of(house, 'Sodium')}").text)
    assert "released Tove" not in steps
    assert steps.count("decided rules") == 1
    assert "put out verifier" in steps


def test_a_corrected_value_brings_the_one_it_replaced(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    case = released_and_sent(house, visit("technologist"))
    again = critical(control_id="again", status="C").replace(b"||6.9|", b"||4.4|")
    house.take(again)
    page = unescape(visit("technologist").get(f"/case/{case}/trail/{place_of(house)}").text)
    assert page.count("message received") == 2
    assert "6.9 mmol/L, status F" in page
    assert "4.4 mmol/L, status C" in page
    assert "a value of 6.9 mmol/L has already left the laboratory" in page


def test_entries_are_shown_to_be_in_the_signed_log(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    case = released_and_sent(house, tove)
    path = f"/case/{case}/trail/{place_of(house)}?proof=1"
    house.store.checkpoint()
    page = tove.get(path).text
    size = house.store.read(lambda reader: reader.audit_state()).signed.size
    assert f"in the signed log of {size} entries" in page
    assert "newer than its last signature" in page, "looking at the page itself"
    released = next(
        e for e in house.store.read(lambda r: r.audit_for_case(case)) if e.what == "released"
    )
    change_behind(
        house.settings.database, f"UPDATE audit SET who = 'Paula' WHERE seq = {released.seq}"
    )
    altered = tove.get(path).text
    assert "1 of" in altered
    assert f"Entry {released.seq}: can not be shown to be as it was signed." in " ".join(
        altered.split()
    )


def test_a_derived_result_has_a_trail_and_paper_has_no_navigation(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    tove = visit("technologist")
    case = released_and_sent(house, tove)
    page = tove.get(f"/case/{case}/derived/anion_gap?paper=1").text
    assert shown(page)[:3] == [
        "message received chemistry",
        "opened a call verifier",
        "decided rules",
    ]
    assert "put out verifier" in shown(page)
    assert "<nav" not in page
    assert tove.get(f"/case/{case}/derived/nothing").text.count("There is no such result") == 1
    assert "There is no such result" in tove.get(f"/case/{case}/trail/99").text
    assert house.store.read(lambda reader: trail_of(reader, 1, 0)) is None
