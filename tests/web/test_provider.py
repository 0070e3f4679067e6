"""Signing in by way of an identity provider: with a real one, and with one that lies.

Checks are those of OpenID Connect Core 1.0 section 3.1.3.7, Discovery 1.0 section 4.3, RFC 7636
(code verifier) and RFC 9207 (issuer in the answer).
"""

import base64
import json
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from joserfc.jwk import RSAKey
from playwright.sync_api import Browser, expect

from verifier.entrance import Oidc
from verifier.errors import RefusedError
from verifier.service.provider import Identity, Provider
from web.house import NAMES, PASSWORD, House, critical, open_house
from web.identity import Liar, free_port, liar, oidc_settings, provider_process, register, seconds
from web.test_case import sign
from web.visits import attempt

CHOSEN = "seven lanterns by the quay"
SECRET = "a random text of the browser"


def test_a_person_comes_in_by_a_real_provider_and_signs(tmp_path: Path, browser: Browser) -> None:
    port = free_port()
    people = [
        {"sub": "u-7", "preferred_username": "Nora", "groups": ["lab-bench"]},
        {"sub": "u-8", "preferred_username": "Olaf", "groups": ["kitchen"]},
    ]
    with provider_process(*people) as issuer:
        client = register(issuer, f"http://127.0.0.1:{port}/sign-in/provider/back")
        oidc = oidc_settings(issuer, port, new_people="create", title="Harbour ID", **client)
        with open_house(tmp_path, port=port, oidc=oidc) as house:
            house.take(critical())
            _visits(house, browser)


def _visits(house: House, browser: Browser) -> None:
    context = browser.new_context(base_url=house.url)
    page = context.new_page()
    page.goto("/controls")
    page.get_by_role("link", name="Sign in with Harbour ID").click()
    page.get_by_role("button", name="u-8").click()
    expect(page.get_by_text("gives no role here")).to_be_visible()

    page.goto("/controls")
    page.get_by_role("link", name="Sign in with Harbour ID").click()
    page.get_by_role("button", name="u-7").click()
    page.wait_for_url("/controls")
    expect(page.locator(".me")).to_contain_text("Nora technologist")
    cookies = {one["name"]: one for one in context.cookies()}
    assert cookies["verifier_session"]["sameSite"] == "Strict"
    assert "verifier_away" not in cookies

    page.goto("/account")
    form = page.get_by_role("form", name="Password to sign with")
    form.get_by_label("New password, 12").fill(CHOSEN)
    form.get_by_label("The new password again").fill(CHOSEN)
    form.get_by_role("button").click()
    page.wait_for_load_state("load")
    page.goto(f"/case/{house.case_of('S-1')}")
    sign(page, "Reject", "clotted", CHOSEN)
    page.wait_for_url(re.compile("done=reject"))
    assert ("Nora", "rejected") in house.audited("S-1")
    context.close()
    with httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client:
        assert attempt(client, "Nora", CHOSEN).status_code == 401
    said = [entry.what for entry in house.store.read(lambda r: r.audit_of("person:Nora"))]
    assert said[:2] == ["added a person", "signed in"]
    assert "chose another password" in said


@pytest.fixture
def lying() -> Iterator[Liar]:
    with liar() as one:
        yield one


def provider(lying: Liar, **more: Any) -> Provider:
    oidc = Oidc(**oidc_settings(lying.url, 1, **more))
    return Provider(oidc, lambda: datetime.now(UTC))


def come_back(lying: Liar, one: Provider, **changed: str) -> Identity:
    answer = lying.authorize(one.begin(SECRET))
    return one.finish(SECRET, {**answer, **changed})


def test_the_honest_answer_is_taken(lying: Liar) -> None:
    found = come_back(lying, provider(lying))
    assert found == Identity(f"{lying.url} u-1", "Nora", "technologist")
    assert lying.asked["code_challenge_method"] == "S256"
    assert not lying.refusals, "client and code verifier were right"
    texts = [lying.asked[name] for name in ("state", "nonce", "code_challenge")]
    assert len({*texts, SECRET}) == 4


def unsigned(claims: dict[str, Any]) -> str:
    parts = [{"alg": "none", "kid": "one"}, claims]
    coded = [base64.urlsafe_b64encode(json.dumps(p).encode()).decode().rstrip("=") for p in parts]
    return f"{coded[0]}.{coded[1]}."


STRANGER = RSAKey.generate_key(2048, {"kid": "one"})
UNKNOWN = RSAKey.generate_key(2048, {"kid": "two"})
LIES: dict[str, tuple[Callable[[Liar, dict[str, Any]], str], str]] = {
    "another nonce": (lambda o, c: o.sign(c | {"nonce": "x"}), "its nonce differs"),
    "no nonce": (lambda o, c: o.sign(c | {"nonce": None}), "its nonce differs"),
    "another issuer": (lambda o, c: o.sign(c | {"iss": "https://other.example"}), "issuer"),
    "another audience": (lambda o, c: o.sign(c | {"aud": "other"}), "[Aa]udience"),
    "several audiences": (lambda o, c: o.sign(c | {"aud": ["verifier", "other"]}), "azp differs"),
    "made for another": (lambda o, c: o.sign(c | {"azp": "other"}), "azp differs"),
    "expired": (lambda o, c: o.sign(c | {"exp": seconds() - 61}), "expired"),
    "of the future": (lambda o, c: o.sign(c | {"iat": seconds() + 90}), "future"),
    "not yet valid": (lambda o, c: o.sign(c | {"nbf": seconds() + 90}), "future"),
    "no end": (lambda o, c: o.sign(c | {"exp": None}), "exp"),
    "an end that is no time": (lambda o, c: o.sign(c | {"exp": "soon"}), "no numbers"),
    "algorithm none": (lambda o, c: unsigned(c), "'none' is not allowed"),
    "algorithm not set": (lambda o, c: o.sign(c, alg="RS512"), "'RS512' is not allowed"),
    "signed by a stranger": (lambda o, c: o.sign(c, STRANGER), "[Ss]ignature"),
    "an unknown key": (lambda o, c: o.sign(c, UNKNOWN), "does not show"),
    "no token": (lambda o, c: "", "not valid"),
    "altered": (lambda o, c: o.sign(c)[:-8] + "AAAAAAAA", "[Ss]ignature"),
}


@pytest.mark.parametrize("lie", LIES)
def test_a_bad_token_is_refused_with_a_sentence(lying: Liar, lie: str) -> None:
    forge, said = LIES[lie]
    lying.forge = lambda claims: forge(lying, claims)
    with pytest.raises(RefusedError, match=said):
        come_back(lying, provider(lying))


def test_clocks_may_differ_a_little(lying: Liar) -> None:
    lying.claims = {"exp": seconds() - 30, "iat": seconds() + 30}
    assert come_back(lying, provider(lying)).name == "Nora"
    with pytest.raises(RefusedError, match="expired"):
        come_back(lying, provider(lying, skew_seconds=5))


def test_what_is_not_of_this_sign_in_is_refused(lying: Liar) -> None:
    one = provider(lying)
    for changed, said in (
        ({"state": "x"}, "not begun in this browser"),
        ({"iss": "https://other.example"}, "another identity provider"),
    ):
        with pytest.raises(RefusedError, match=said):
            come_back(lying, one, **changed)
    with pytest.raises(RefusedError, match="not begun"):
        one.finish("", {"code": "c-1", "state": ""})
    answer = lying.authorize(one.begin(SECRET))
    with pytest.raises(RefusedError, match="not begun"):
        one.finish("another browser", answer)
    with pytest.raises(RefusedError, match="did not let you in"):
        one.finish(SECRET, {"state": answer["state"], "error": "access_denied"})
    lying.asked["code_challenge"] = "of another browser"
    with pytest.raises(RefusedError, match="does not answer as it should"):
        one.finish(SECRET, answer)
    assert lying.refusals


def test_a_provider_that_is_not_the_one_set_is_refused(lying: Liar) -> None:
    lying.document = {"issuer": "https://other.example"}
    with pytest.raises(RefusedError, match="calls itself otherwise"):
        provider(lying).begin(SECRET)
    lying.document = {"token_endpoint": "http://other.example/token"}
    with pytest.raises(RefusedError, match="no usable token_endpoint"):
        provider(lying).begin(SECRET)


def test_claims_may_come_from_the_userinfo_endpoint(lying: Liar) -> None:
    lying.claims = {"groups": None}
    lying.details = {"groups": ["lab-heads"]}
    assert come_back(lying, provider(lying)).role == "pathologist"
    lying.details = {"groups": ["lab-heads"], "sub": "u-2"}
    with pytest.raises(RefusedError, match="somebody else"):
        come_back(lying, provider(lying))


def test_the_first_role_written_counts_and_none_is_refused(lying: Liar) -> None:
    lying.claims = {"groups": ["lab-bench", "lab-heads"]}
    assert come_back(lying, provider(lying)).role == "pathologist"
    for groups in (["kitchen"], "lab", 7, {"lab-bench": True}):
        lying.claims = {"groups": groups}
        with pytest.raises(RefusedError, match="no role"):
            come_back(lying, provider(lying))


def test_a_key_that_is_new_is_found(lying: Liar) -> None:
    time = datetime.now(UTC)
    one = Provider(Oidc(**oidc_settings(lying.url, 1)), lambda: time)
    assert come_back(lying, one).name == "Nora"
    lying.key = UNKNOWN
    with pytest.raises(RefusedError, match="does not show"):
        come_back(lying, one)
    time += timedelta(minutes=2)
    assert come_back(lying, one).name == "Nora"


def walk_in(house: House, lying: Liar, client: httpx.Client) -> httpx.Response:
    left = client.get("/sign-in/provider")
    answer = lying.authorize(left.headers["location"])
    return client.get("/sign-in/provider/back", params=answer)


def test_who_is_let_in_and_as_what(tmp_path: Path, lying: Liar) -> None:
    port = free_port()
    oidc = oidc_settings(lying.url, port)
    with (
        open_house(tmp_path, port=port, oidc=oidc) as house,
        httpx.Client(base_url=house.url, trust_env=False, timeout=60) as client,
    ):
        write = house.store.write
        assert "not known here yet" in walk_in(house, lying, client).text
        assert client.get("/sign-in/provider/back?code=1&state=").status_code == 403
        seen = house.store.read(lambda r: r.audit_of("provider"))
        assert f"{lying.url} u-1" in str(seen[-1].detail)

        write(lambda tx: tx.set_subject(NAMES["pathologist"], f"{lying.url} u-1"))
        assert walk_in(house, lying, client).status_code == 200
        assert "Paula" in client.get("/messages").text
        paula = house.store.read(lambda r: r.person("Paula"))
        assert (paula.role, paula.subject) == ("technologist", f"{lying.url} u-1")
        assert attempt(client, "Paula", PASSWORD).status_code == 401, "the provider alone"
        assert attempt(client, "Tove", PASSWORD).status_code == 401, "local for administrators"
        assert attempt(client, "Anders", PASSWORD).status_code == 303

        write(lambda tx: tx.lock_person("Paula"))
        assert "locked" in walk_in(house, lying, client).text
