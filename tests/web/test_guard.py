"""Every route the application has, with every role, without a session, and with forged forms.

The table is the application's own, so a new route is tried without being listed here. By hand is
written what must stay true of it: which ability which role has, and what parts of the site are for
whom whatever a route itself asks for.
"""

import re
from collections.abc import Callable

import httpx
import pytest

from verifier.store.rows import ROLES
from verifier.web.roles import ABILITIES
from web.house import NAMES, PASSWORD, House, critical
from web.routetable import FORM_GUARDS, Line, ask, route_table
from web.visits import Visitor, attempt, token_of

OPEN = {"GET /healthz", "GET /readyz", "GET /metrics", "GET /words.js"}
OPEN |= {"GET /sign-in", "POST /sign-in"}
OPEN |= {"GET /sign-in/provider", "GET /sign-in/provider/back"}
ALL = set(ROLES)
BENCH = {"technologist", "pathologist"}
OFFICE = {"pathologist", "administrator"}
ROLE_MAY = {
    "look": ALL,
    "settle results": BENCH,
    "correct results": {"pathologist"},
    "call results": BENCH,
    "settle problems": ALL,
    "suspend": ALL,
    "record controls": BENCH,
    "read the audit log": OFFICE,
    "write rules": {"administrator"},
    "approve rules": OFFICE,
    "activate rules": OFFICE,
    "manage people": {"administrator"},
}
# Whoever else may open it, nobody outside these.
FOR_WHOM = {
    r"(GET|POST) /people": {"administrator"},
    r"(GET|POST) /audit": OFFICE,
    r"POST /case/(?!.*/looking)": BENCH,  # an open page says so, whoever looks
    r"(GET|POST) /batch$": BENCH,
    r"POST /(requests|calls)": BENCH,
    r"POST /quality": BENCH,
    r"POST /controls": BENCH,
    r"(GET|POST) /rules/draft": {"administrator"},
    r"POST /rules/(version|withdraw|roll-back)": OFFICE,
    r"POST /rules/version/.*/(scenarios|send)": {"administrator"},
}


def allowed(line: Line) -> set[str]:
    """Return who may open a route: whoever has all abilities it asks for."""
    return ALL.intersection(*(ROLE_MAY[ability] for ability in line.abilities))


def guarded(house: House) -> list[Line]:
    return [one for one in route_table(house) if one.name not in OPEN and not one.entering]


def test_every_route_says_whom_it_is_for(house: House) -> None:
    assert {name: set(roles) for name, roles in ABILITIES.items()} == ROLE_MAY
    table = route_table(house)
    assert {one.name for one in table} >= OPEN
    for line in guarded(house):
        assert line.abilities or line.watching, f"{line.name} asks for no ability"
        for pattern, whom in FOR_WHOM.items():
            if re.match(pattern, line.name):
                assert allowed(line) <= whom, line.name
    for line in table:
        if line.method != "GET":
            assert line.method == "POST", line.name
            assert line.guards & FORM_GUARDS, f"{line.name} takes forms of other sites"


def test_without_a_session_nothing_opens(house: House) -> None:
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as stranger:
        for line in route_table(house):
            if line.name not in OPEN:
                assert ask(stranger, line, {}).status_code == 401, line.name


@pytest.mark.parametrize("role", ROLES)
def test_a_role_opens_what_it_may_and_nothing_else(
    house: House, visit: Callable[[str], Visitor], role: str
) -> None:
    one = visit(role)
    for line in sorted(guarded(house), key=lambda line: line.path == "/sign-out"):
        answer = ask(one.client, line, {"csrf": one.csrf, "version": "1", "hash": "x"})
        status = answer.status_code
        assert (status == 403) == (role not in allowed(line)), f"{line.name} as {role}: {status}"
        assert status < 500, f"{line.name} as {role}: {status}"


def test_no_form_is_carried_out_without_its_token(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    visitors = {role: visit(role) for role in ROLES}
    forms = [line for line in guarded(house) if line.method == "POST"]
    for line in forms:
        one = visitors[min(allowed(line))]
        other = next(v for role, v in visitors.items() if v is not one)
        for fields in ({}, {"csrf": ""}, {"csrf": "é"}, {"csrf": other.csrf}):
            status = ask(one.client, line, {"version": "1", **fields}).status_code
            assert status == 403, f"{line.name} with {fields}"
        for site in ("cross-site", "same-site"):
            fields = {"csrf": one.csrf, "version": "1"}
            status = ask(one.client, line, fields, headers={"Sec-Fetch-Site": site}).status_code
            assert status == 403, f"{line.name} from {site}"
    for one in visitors.values():
        assert one.get("/messages").status_code == 200, "nobody was signed out"
    assert not house.store.read(lambda reader: reader.suspensions())


def test_the_sign_in_form_needs_its_token_too(house: House) -> None:
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as stranger:
        fields = {"name": NAMES["technologist"], "password": PASSWORD, "csrf": ""}
        assert stranger.post("/sign-in", data=fields).status_code == 403
        csrf = token_of(stranger.get("/sign-in").text)
        site = {"Sec-Fetch-Site": "cross-site"}
        assert stranger.post("/sign-in", data=fields | {"csrf": csrf}, headers=site).is_error


def test_half_signed_in_opens_the_step_and_nothing_else(house: House) -> None:
    house.store.write(lambda tx: tx.begin_second_factor("Tove"))
    armed = {"second_factor": ("technologist",)}
    web = house.settings.web.model_copy(update=armed)
    object.__setattr__(house.settings, "web", web)  # the settings of a running house are frozen
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client:
        assert attempt(client, "Tove", PASSWORD).status_code == 303
        csrf = token_of(client.get("/sign-in/step").text)
        for line in guarded(house):
            assert ask(client, line, {"csrf": csrf, "version": "1"}).status_code == 401, line.name
        for line in route_table(house):
            if line.entering and line.method == "POST":
                assert ask(client, line, {"csrf": "x"}).status_code == 403, line.name


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
    """Of every route, whatever it answers; names and values as the OWASP Secure Headers Project
    recommends them (from memory)."""
    one = visit("pathologist")
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as stranger:
        answers = {"a file": one.get("/static/base.css"), "nowhere": one.get("/nowhere")}
        for line in route_table(house):
            if line.path != "/sign-out":
                answers[line.name] = ask(one.client, line, {})
                answers[f"{line.name} by a stranger"] = ask(stranger, line, {})
    for name, answer in answers.items():
        policy = answer.headers["Content-Security-Policy"].split("; ")
        assert "default-src 'none'" in policy, name
        assert "frame-ancestors 'none'" in policy, name
        assert "unsafe" not in str(policy), name
        assert answer.headers["X-Content-Type-Options"] == "nosniff", name
        assert answer.headers["X-Frame-Options"] == "DENY", name
        assert answer.headers["Referrer-Policy"] == "same-origin", name
        if name != "a file":
            assert answer.headers["Cache-Control"] == "no-store", name


def test_no_page_holds_inline_script_or_style(
    house: House, visit: Callable[[str], Visitor]
) -> None:
    house.take(critical())
    case = house.case_of("S-1")
    for role in ("pathologist", "administrator"):
        one = visit(role)
        for line in guarded(house):
            if line.method == "GET" and not line.watching:
                text = one.get(line.filled(case)).text
                assert not re.search(r"<style|\sstyle=|<script(?![^>]* src=)|\son\w+=", text), line
