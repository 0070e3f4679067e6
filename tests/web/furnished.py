"""A house in which every page has something to show, and the list of its pages."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx

from verifier.service import qualityacts
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlLevel
from web.house import (
    NAMES,
    NORMAL,
    PASSWORD,
    House,
    critical,
    free,
    message,
    open_house,
    refused_by_receiver,
)
from web.routetable import route_table
from web.test_worklist import boxes, unconfirmed
from web.visits import Visitor, sign_in

LEVEL = ControlLevel(
    4711, "sodium", "", "Serum", "A1", "high", "QC-H", "mmol/L", Decimal(150), Decimal(2),
    datetime(2026, 1, 1, tzinfo=UTC), datetime(2099, 1, 1, tzinfo=UTC),
)  # fmt: skip

# What a GET route answers with when it is no page for people.
NO_PAGES = {
    "/healthz", "/readyz", "/metrics", "/words.js", "/calls/report.csv", "/quality/month.pdf",
    "/quality/month.csv", "/quality/level/{level_id}/values.csv", "/rules/version/{number}/work",
    "/queue/rows", "/sign-in/provider", "/sign-in/provider/back",
}  # fmt: skip
FILLED = {
    "/quality/level/{level_id}": "/quality/level/4711",
    "/quality/charts": "/quality/charts?test=sodium&analyzer=AN-1",
    "/rules/file": "/rules/file?name=tests/electrolytes.rules",
    "/rules/compare": "/rules/compare?old=1&new=2",
    "/rules/version/{number}": "/rules/version/2",
    "/rules/draft/{number}": "/rules/draft/2",
    "/overview": "/overview?period=7",
    "/audit/person": "/audit/person?name=Tove",
    "/audit/patient": "/audit/patient?find=S-1",
}


def pages(house: House) -> list[str]:
    """Return an address for every page of the app; a new one has to be filled in above."""
    found = []
    filled = FILLED | {
        "/case/{case_id}": f"/case/{house.case_of('S-1')}",
        "/case/{case_id}/trail/{place}": f"/case/{house.case_of('S-1')}/trail/1",
        "/case/{case_id}/derived/{test}": f"/case/{house.case_of('S-1')}/derived/anion_gap",
        "/batch": f"/batch?one={house.case_of('S-8')}.1",
        "/batch/{number}": f"/batch/{_batch(house)}",
        "/search": "/search?who=Example",
        "/messages/{message_id}": f"/messages/{_problem(house)}",
        "/outgoing/{outgoing_id}": f"/outgoing/{house.outgoing('S-3')[0].id}",
    }
    for line in route_table(house):
        if line.method != "GET" or line.path in NO_PAGES or line.watching or line.entering:
            continue
        address = filled.get(line.path, line.path)
        assert "{" not in address, f"{address}: say in FILLED what to look at"
        found.append(address)
    return sorted(found)


def _problem(house: House) -> int:
    return house.store.read(lambda reader: reader.problems())[0].message_id


def _batch(house: House) -> str:
    entries = house.store.read(lambda reader: reader.audit_newest(1000))
    return next(e.subject for e in entries if e.what == "signed a batch").removeprefix("batch:")


@contextmanager
def furnished(folder: Path, **web: Any) -> Iterator[House]:
    """Open a house in which something of every kind happened."""
    with open_house(folder, versions=True, **web) as house:
        _results(house)
        _controls(house)
        with httpx.Client(base_url=house.url, trust_env=False, timeout=120) as client:
            tove = sign_in(client, NAMES["technologist"], PASSWORD)
            tove.post("/suspension", what="test:glucose", reason="new lot of reagent")
            _work(house, tove)
        with httpx.Client(base_url=house.url, trust_env=False, timeout=120) as client:
            anders = sign_in(client, NAMES["administrator"], PASSWORD)
            anders.post("/rules/drafts", base=1, note="another limit of potassium")
            _edit(anders)
        house.store.checkpoint()
        yield house


def _results(house: House) -> None:
    for days, value in ((40, "4.1"), (12, "4.6"), (3, "4.4")):
        early = {**NORMAL, "potassium": value, "sodium": "141"}
        at = datetime.now(UTC) - timedelta(days=days)
        house.take(message(f"E-{days}", early, collected=at, indices={"H-INDEX": "0.1"}))
    house.take(critical("S-1"))
    house.take(message("S-2", {**NORMAL, "glucose": "28.4", "sodium": "127"}, patient="2"))
    for name in ("S-3", "S-4", "S-5"):
        house.take(free(name))
    refused_by_receiver(house, "S-3", "AE unknown patient")
    house.take(critical("S-6", patient="6").replace(b"2823-3^Potassium", b"ZZ-9^Unheard"))
    for name in ("S-7", "S-8"):
        house.take(unconfirmed(name))
    house.take(b"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|2026||SIU^S12|X1|P|2.5.1\r")


def _work(house: House, tove: Visitor) -> None:
    """Ask for a rerun, claim a specimen, release another with a batch's signature."""
    case = house.case_of("S-1")
    held = [e for e, one in enumerate(_entries(house, case)) if one.state == "open"]
    tove.post(f"/case/{case}/sign", action="rerun", places=held[0], version=1)
    tove.post(f"/case/{house.case_of('S-2')}/claim")
    one = boxes(tove.get("/").text)["S-7"]
    like = re.search(r'name="like" value="(\w+)"', tove.get(f"/batch?one={one}").text)
    assert like
    tove.post("/batch", one=one, like=like[1], reason="FITS", password=PASSWORD)


def _entries(house: House, case: int) -> Any:
    return house.store.read(lambda reader: reader.case(case)).record.entries


def _controls(house: House) -> None:
    def define(tx: Any) -> None:
        tx.take_back_control_state("sodium")
        qualityacts.define_levels(tx, house.line.controls, "Tove", [LEVEL], house.time())

    house.store.write(define)
    for value in ("150.4", "149.1", "153.9", "157"):
        at = house.time().strftime("%Y%m%d%H%M%S.%f")[:-2] + "+0000"
        segments = [
            f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|{at}||OUL^R22^OUL_R22|C{new_id()}|P|2.5.1",
            "SPM|1|QC-H-1||SER^Serum^HL70487|||||||Q^Control^HL70369",
            "OBR|1||QC-H-1|NA^Sodium^L",
            f"OBX|1|NM|2951-2^Sodium^LN||{value}|mmol/L|||||F|||||||AN-1|{at}",
        ]
        house.take(("\r".join(segments) + "\r").encode())


def _edit(anders: Any) -> None:
    """Change one limit in the draft, as the editor's form would."""
    page = anders.get("/rules/draft/2?file=tests/electrolytes.rules").text
    hidden = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page))
    text = re.search(r"<textarea[^>]*>(.*?)</textarea>", page, re.S)
    assert text
    from html import unescape

    changed = unescape(text[1]).lstrip("\n").replace("above 6.2 ", "above 6.3 ")
    anders.client.post("/rules/draft/2", data=hidden | {"csrf": anders.csrf, "text": changed})
