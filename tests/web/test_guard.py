"""Every route of the table, with every role, without a session, and without its form token."""

import re
from collections.abc import Callable, Iterator

import httpx
import pytest
from fastapi.routing import APIRoute

from verifier.store.rows import ROLES
from web.house import NAMES, House, critical
from web.visits import Visitor

OPEN = {
    "GET /healthz",
    "GET /readyz",
    "GET /metrics",
    "GET /words.js",
    "GET /sign-in",
    "POST /sign-in",
}
ALL = set(ROLES)
BENCH = {"technologist", "pathologist"}
WRITES = {"administrator"}  # rules
APPROVES = {"pathologist", "administrator"}

# Written down by hand: a new route has to be thought about here.
ALLOWED = {
    "GET /": ALL,
    "GET /queue/rows": ALL,
    "GET /waiting": ALL,
    "GET /overview": ALL,
    "GET /events": ALL,
    "GET /case/{case_id}": ALL,
    "POST /case/{case_id}/sign": BENCH,
    "GET /case/{case_id}/trail/{place}": ALL,
    "GET /case/{case_id}/derived/{test}": ALL,
    "GET /search": ALL,
    "GET /messages": ALL,
    "GET /messages/{message_id}": ALL,
    "POST /messages/{message_id}/settle": ALL,
    "GET /outgoing": ALL,
    "GET /outgoing/{outgoing_id}": ALL,
    "POST /outgoing/{outgoing_id}/{act}": ALL,
    "GET /suspension": ALL,
    "POST /suspension": ALL,
    "POST /suspension/{suspension_id}/resume": ALL,
    "GET /controls": ALL,
    "POST /controls": BENCH,
    "GET /quality": ALL,
    "GET /quality/charts": ALL,
    "GET /quality/level/{level_id}": ALL,
    "GET /quality/level/{level_id}/values.csv": ALL,
    "GET /quality/levels": ALL,
    "POST /quality/levels": BENCH,
    "GET /quality/month": ALL,
    "GET /quality/month.csv": ALL,
    "GET /quality/month.pdf": ALL,
    "POST /quality/action": BENCH,
    "POST /quality/look-into": BENCH,
    "POST /quality/level/{level_id}/basis": BENCH,
    "POST /quality/level/{level_id}/leave-out": BENCH,
    "POST /quality/level/{level_id}/end": BENCH,
    "GET /people": {"administrator"},
    "POST /people": {"administrator"},
    "GET /rules": ALL,
    "GET /rules/file": ALL,
    "GET /rules/compare": ALL,
    "GET /rules/versions": ALL,
    "GET /rules/version/{number}": ALL,
    "GET /rules/version/{number}/work": ALL,
    "POST /rules/drafts": WRITES,
    "GET /rules/draft/{number}": WRITES,
    "POST /rules/draft/{number}": WRITES,
    "POST /rules/draft/{number}/check": WRITES,
    "POST /rules/version/{number}/scenarios": WRITES,
    "POST /rules/version/{number}/send": WRITES,
    "POST /rules/version/{number}/replay": APPROVES,
    "POST /rules/version/{number}/approve": APPROVES,
    "POST /rules/version/{number}/activate": APPROVES,
    "POST /rules/withdraw": APPROVES,
    "POST /rules/roll-back": APPROVES,
    "GET /rules/usage": ALL,
    "POST /rules/usage/scenario": ALL,
    "GET /audit": {"pathologist", "administrator"},
    "POST /audit": {"pathologist", "administrator"},
    "POST /sign-out": ALL,
}


def routes(house: House) -> Iterator[tuple[str, str]]:
    """Yield method and path of every route but the static files."""
    table = house.server.config.app.routes  # type: ignore[union-attr]
    for route in walk(table):
        for method in route.methods:
            yield method, route.path


def walk(table: list[object]) -> Iterator[APIRoute]:
    for route in table:
        if isinstance(route, APIRoute):
            yield route
        else:
            part = getattr(route, "original_router", None)
            yield from walk(part.routes if part else [])


def ask(client: httpx.Client, method: str, path: str, fields: dict[str, str]) -> httpx.Response:
    """Ask and read only the head: a stream would never end."""
    filled = re.sub(r"\{\w+\}", "1", path)
    data = fields if method == "POST" else None
    with client.stream(method, filled, data=data) as answer:
        return answer


def test_every_route_is_thought_of(house: House) -> None:
    assert {f"{method} {path}" for method, path in routes(house)} == ALLOWED.keys() | OPEN


def test_without_a_session_nothing_opens(house: House) -> None:
    with httpx.Client(base_url=house.url, trust_env=False) as stranger:
        for method, path in routes(house):
            if f"{method} {path}" not in OPEN:
                assert ask(stranger, method, path, {}).status_code == 401, path


@pytest.mark.parametrize("role", ROLES)
def test_a_role_opens_what_it_may_and_nothing_else(
    house: House, visit: Callable[[str], Visitor], role: str
) -> None:
    one = visit(role)
    for line, allowed in ALLOWED.items():  # signing out comes last
        method, path = line.split(" ")
        status = ask(one.client, method, path, {"csrf": one.csrf, "version": "1"}).status_code
        assert (status == 403) == (role not in allowed), f"{line} as {role}: {status}"
        assert status < 500, f"{line} as {role}: {status}"


def test_no_form_is_carried_out_without_its_token(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    visitors = {role: visit(role) for role in ROLES}
    for line, allowed in ALLOWED.items():
        method, path = line.split(" ")
        if method == "POST":
            one = visitors[min(allowed)]
            for fields in ({}, {"csrf": ""}, {"csrf": "x" * 43}, {"csrf": "é"}):
                status = ask(one.client, method, path, {"version": "1", **fields}).status_code
                assert status == 403, f"{line} with {fields}"
    assert visitors["technologist"].get("/messages").status_code == 200, "nobody was signed out"


def test_the_sign_in_form_needs_its_token_too(house: House) -> None:
    with httpx.Client(base_url=house.url, trust_env=False) as stranger:
        fields = {"name": NAMES["technologist"], "password": "x", "csrf": ""}
        assert stranger.post("/sign-in", data=fields).status_code == 403


def test_another_site_can_not_act_even_with_the_token(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    one = visit("technologist")
    one.client.headers["Sec-Fetch-Site"] = "cross-site"
    assert one.post("/suspension", what="all:", reason="x").status_code == 403
    assert not house.store.read(lambda reader: reader.suspensions())


def test_an_administrator_does_not_release_by_hand_made_request(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    case, before = house.case_of("S-1"), len(house.outgoing("S-1"))
    page = visit("administrator").get(f"/case/{case}").text
    assert "Potassium" in page
    assert 'id="sign"' not in page
    assert len(house.outgoing("S-1")) == before


def test_a_form_larger_than_any_of_ours_is_not_read(visit: Callable[[str], Visitor]) -> None:
    assert visit("technologist").post("/suspension", reason="x" * 100_000).status_code == 400


def test_every_answer_forbids_what_the_page_never_does(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    one = visit("pathologist")
    for path in ("/", "/sign-in", "/nowhere", "/static/base.css"):
        headers = one.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["X-Frame-Options"] == "DENY"
    assert one.get("/").headers["Cache-Control"] == "no-store"


def test_no_page_holds_inline_script_or_style(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    one = visit("pathologist")
    paths = ["/", f"/case/{house.case_of('S-1')}"]
    paths += [path for method, path in routes(house) if method == "GET" and "{" not in path]
    for path in paths:
        if path not in ("/events", "/people"):
            text = one.get(path).text
            assert not re.search(r"<style|\sstyle=|<script(?![^>]* src=)|\son\w+=", text), path
