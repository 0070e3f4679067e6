"""The work list as a program meets it: filters by address, claims, batches and their record."""

import html
import re
from collections.abc import Callable
from datetime import timedelta

import pytest

from verifier.errors import RefusedError
from verifier.service import worklist
from verifier.store.sights import LISTED, LOOKED
from web.house import NAMES, NORMAL, PASSWORD, House, critical, message
from web.visits import Visitor

SEEING = {LOOKED, LISTED, "gave the password to sign"}


def unconfirmed(specimen: str, glucose: str = "12.4") -> bytes:
    """One held glucose of a patient with no result before; everything else leaves."""
    own = int(specimen[-1])
    values = NORMAL | {
        "potassium": f"4.{own}", "chloride": str(101 + own), "urea": f"5.{own}", "glucose": glucose
    }  # fmt: skip
    return message(specimen, values, indices={"H-INDEX": "0.1"}, patient=specimen)


def stat(raw: bytes) -> bytes:
    return raw.replace(b"\rSPM|", b"\rTQ1|1||||||||S\rSPM|", 1)


def listed(page: str) -> list[str]:
    return re.findall(r'<div class="tube"><span>([^<]+)</span>', page)


def boxes(page: str) -> dict[str, str]:
    """Return the value of the box of each specimen that may be part of a batch."""
    found = re.findall(
        r'name="one" value="([\d.]+)"> batch<span[^>]*> release of ([^<]+)</span>', page
    )
    return {specimen: value for value, specimen in found}


def plain(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page)).split())


def test_the_address_says_what_is_listed(house: House, visit: Callable[[str], Visitor]) -> None:
    house.take(critical("S-1").replace(b"3 East", b"2 West"))
    house.take(stat(unconfirmed("S-2")))
    house.take(unconfirmed("S-3"))
    one = visit("technologist")
    assert listed(one.get("/").text) == ["S-1", "S-2", "S-3"]
    for query, expected in {
        "ward=2+West": ["S-1"],
        "reason=glucose-unconfirmed": ["S-2", "S-3"],
        "test=glucose&priority=stat": ["S-2"],
        "analyzer=AN-1&test=potassium": ["S-1"],
        "order=time": ["S-2", "S-1", "S-3"],
        "age=30": [],
        "page=2": [],
    }.items():
        page = one.get(f"/?{query}").text
        assert listed(page) == expected, query
        assert listed(one.get(f"/queue/rows?{query}").text) == expected, query
        rows = one.get(f"/queue/state?{query}").json()["rows"]
        assert [int(number) for number, _ in rows] == [house.case_of(s) for s in expected], query
    page = one.get("/?test=glucose").text
    assert "glucose-unconfirmed (2)" in page
    assert "Test glucose without" in plain(page)
    assert one.get("/?due=never").status_code == 400
    house.time.ahead = timedelta(minutes=31)
    one = visit("technologist")  # the session has ended
    assert listed(one.get("/?due=missed").text) == ["S-2"], "stat: 30 minutes"
    assert "missed by 1 min stat" in plain(one.get("/?due=missed").text)


def test_a_claim_is_shown_and_handed_over_and_ends(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    case = f"/case/{house.case_of('S-1')}"
    tove, paula, anders = visit("technologist"), visit("pathologist"), visit("administrator")
    assert tove.post(f"{case}/claim", back="/?order=time").headers["location"] == "/?order=time"
    assert "Tove has it, since" in paula.get("/").text
    assert "yours, since" in tove.get("/").text
    assert anders.post(f"{case}/claim").status_code == 403

    assert paula.post(f"{case}/claim").status_code == 409, "she has not said that she knows"
    assert paula.post(f"{case}/claim", act="give back").status_code == 409
    assert tove.post(f"{case}/claim", act="hand over", to="Anders").status_code == 409
    assert tove.post(f"{case}/claim", act="hand over", to="Paula").status_code == 303
    assert "Paula has claimed this specimen" in tove.get(case).text
    assert tove.post(f"{case}/claim", although="Paula").status_code == 303
    house.time.ahead = timedelta(minutes=16)
    assert "Claimed by nobody" in tove.get(case).text
    assert tove.post(f"{case}/claim").status_code == 303
    assert tove.post(f"{case}/claim", act="give back").status_code == 303
    acts = [what for who, what in house.audited("S-1") if who in NAMES.values()]
    assert [what for what in acts if what not in SEEING] == [
        "claimed", "handed over", "claimed", "claimed", "gave back",
    ]  # fmt: skip


def test_a_claim_warns_and_never_forbids(house: House, visit: Callable[[str], Visitor]) -> None:
    house.take(critical())
    case = house.case_of("S-1")
    tove, paula = visit("technologist"), visit("pathologist")
    tove.post(f"/case/{case}/claim")
    stored = house.store.read(lambda reader: reader.case(case))
    assert stored is not None
    places = [e for e, entry in enumerate(stored.record.entries) if entry.state == "open"]
    act = {"action": "release", "places": places, "password": PASSWORD, "version": stored.version}
    act |= {"reason": "FITS"}
    refused = paula.post(f"/case/{case}/sign", **act)
    assert refused.status_code == 409
    assert "Tove has claimed this specimen" in plain(refused.text)
    assert not house.store.read(lambda reader: reader.case(case).held == 0)  # type: ignore[union-attr]
    assert paula.post(f"/case/{case}/sign", **act, although="Tove").status_code == 303
    view = worklist.view(house.settings, "Paula", house.time())
    assert house.store.read(lambda reader: reader.claims(view.claims_since)) == {}
    with pytest.raises(RefusedError, match="held any more"):
        house.store.write(
            lambda tx: worklist.claim(tx, view, tx.person("Paula"), case)  # type: ignore[arg-type]
        )


def test_every_act_on_a_specimen_heeds_the_claim(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    """Corrections, calls and requests as well; so does taking back what was just done."""
    house.take(critical("S-1"))
    case = house.case_of("S-1")
    tove, paula = visit("technologist"), visit("pathologist")
    stored = house.store.read(lambda reader: reader.case(case))
    assert stored is not None
    states = [entry.state for entry in stored.record.entries]
    asks = {"action": "rerun", "places": [states.index("open")], "version": stored.version}
    assert paula.post(f"/case/{case}/sign", **asks).status_code == 303
    tove.post(f"/case/{case}/claim")
    call = house.store.read(lambda reader: reader.open_calls())[0].id
    request = house.store.read(lambda reader: reader.open_requests())[0].id
    version = house.store.read(lambda reader: reader.case(case)).version  # type: ignore[union-attr]
    left = states.index("released")
    withdraws = {"how": "withdraw", "place": left, "reason": "wrong tube", "version": version}
    acts = {
        f"/calls/{call}": {"did": "nobody", "whom": "Dr. Example"},
        f"/requests/{request}": {"how": "came"},
        f"/case/{case}/correct": withdraws | {"password": PASSWORD},
        f"/case/{case}/undo": {},
    }
    for path, fields in acts.items():
        before = house.audited("S-1")
        answer = paula.post(path, **fields)
        assert answer.status_code == 409, path
        assert "Tove has claimed this specimen" in plain(answer.text), path
        assert "I act although Tove has claimed it" in plain(answer.text), path
        assert [
            who for who, what in house.audited("S-1")[len(before) :] if what not in SEEING
        ] == []
        if not path.endswith("/undo"):  # nothing there to be taken back
            assert paula.post(path, **fields, although="Tove").status_code == 303, path
    did = {what for who, what in house.audited("S-1") if who == "Paula"}
    assert did >= {"called", "closed a request", "withdrew"}


def test_who_looks_is_told_to_others_for_seconds(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    case = f"/case/{house.case_of('S-1')}"
    tove, anders = visit("technologist"), visit("administrator")
    anders.get(case)
    assert "seen now by Anders" in tove.get("/").text
    assert "seen now by" not in anders.get("/").text, "nobody is told of themselves"
    assert tove.post(f"{case}/looking").json() == {"looking": ["Anders"], "claim": ""}
    anders.post(f"{case}/looking", here="false")
    assert "seen now by" not in tove.get("/").text
    anders.post(f"{case}/looking")
    house.time.ahead = timedelta(seconds=31)
    assert "seen now by" not in tove.get("/").text


def test_like_specimens_leave_with_one_signature(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical("S-1"))
    for number in (2, 3, 4, 5):
        house.take(unconfirmed(f"S-{number}"))
    house.take(
        message("S-6", NORMAL | {"calcium": "2.75"}, indices={"H-INDEX": "0.1"}, patient="6")
    )
    house.take(message("S-7", {"glucose": "14O"}, patient="7"))
    before = {number: len(house.outgoing(f"S-{number}")) for number in range(1, 8)}
    tove, paula = visit("technologist"), visit("pathologist")
    offered = boxes(tove.get("/").text)
    assert offered.keys() == {"S-2", "S-3", "S-4", "S-5", "S-6"}, "neither critical nor in doubt"

    paula.post(f"/case/{house.case_of('S-5')}/claim")
    worst = f"{house.case_of('S-1')}.1"
    chosen = [offered[f"S-{number}"] for number in (2, 3, 4, 5, 6)] + [worst, "x.1", "7.1"]
    page = tove.client.get("/batch", params={"one": chosen}).text
    for said in ("3 specimens to release", "S-6 : It is not held for the same reasons",
                 "S-5 : Paula has claimed it", "S-1 : It is critical"):  # fmt: skip
        assert said in plain(page), said
    assert len(re.findall(r"<b>12\.4</b>", page)) == 3
    values = re.findall(r'type="hidden" name="one" value="([\d.]+)"', page)
    like = re.search(r'name="like" value="(\w+)"', page)[1]  # type: ignore[index]

    house.take(unconfirmed("S-3", "12.9").replace(b"MS-3", b"MS-3b"))  # changes meanwhile
    act = {"one": [*values, worst], "like": like, "comment": "seen together"}
    unsaid = tove.post("/batch", **act, password=PASSWORD)
    assert "Say why they are released although rules held them." in plain(unsaid.text)
    act |= {"reason": "FITS"}
    assert tove.post("/batch", **act | {"reason": "none"}, password=PASSWORD).status_code == 409
    assert tove.post("/batch", **act, password="wrong").status_code == 409
    assert len(house.outgoing("S-2")) == before[2]
    assert visit("administrator").post("/batch", **act, password=PASSWORD).status_code == 403
    answer = tove.post("/batch", **act, password=PASSWORD)
    assert answer.status_code == 303
    number = int(answer.headers["location"].rpartition("/")[2])
    told = plain(tove.get(f"/batch/{number}").text)
    assert "2 released, 2 not released" in told
    assert "S-3 : It was changed meanwhile." in told
    assert "S-1 : It is critical." in told
    for one in range(1, 8):
        assert (len(house.outgoing(f"S-{one}")) > before[one]) == (one in (2, 4)), one
        signed = [who for who, what in house.audited(f"S-{one}") if what == "signed in a batch"]
        assert signed == ["Tove"] * (one in (2, 4))
    entries = house.store.read(lambda reader: reader.audit_for_case(house.case_of("S-2")))
    assert [e.detail["batch"] for e in entries if e.what == "signed in a batch"] == [number]  # type: ignore[index]
    told_of = next(e.detail for e in entries if e.what == "released")
    assert told_of is not None
    assert told_of["comment"] == "seen together"
    assert (told_of["overrides"], told_of["reason"]) == (["glucose-unconfirmed"], "FITS")
    again = plain(
        tove.client.get(tove.post("/batch", **act, password=PASSWORD).headers["location"]).text
    )
    assert "0 released, 4 not released" in again
