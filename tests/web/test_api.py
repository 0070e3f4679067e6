"""Whatever is sent to a route of the page, it answers as an application that knows what it does.

The page shows no description of its routes to anybody; here one is made of the application and
schemathesis, a general-purpose tester of such descriptions (OpenAPI 3.1), tries values that fit and
that do not. It looks for failures of the server and for answers without the headers that every
answer must carry.
"""

from collections.abc import Callable
from typing import Any

import schemathesis
from fastapi.openapi.utils import get_openapi
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from verifier.web.shell import HEADERS
from web.house import House, critical
from web.routetable import route_table
from web.test_guard import allowed
from web.visits import Visitor

EXAMPLES = 5  # per route; what is looked for shows early, and there are many routes
ENDLESS = {"/events"}
LEAVES = {"/sign-out", "/sign-in"}  # these end the session that tries
NOT_READY = {"/readyz"}  # nothing listens in this house, and it says so


def described(house: House) -> Any:
    app = house.server.config.app  # type: ignore[union-attr]
    document = get_openapi(title="page", version="1", routes=app.routes)
    paths = {path: told for path, told in document["paths"].items() if path not in ENDLESS}
    missing = {line.path for line in route_table(house)} - paths.keys() - ENDLESS
    assert not missing, "the description has every route"
    return schemathesis.openapi.from_dict({**document, "paths": paths})


def test_no_value_breaks_a_route(house: House, visit: Callable[[str], Visitor]) -> None:
    house.take(critical())
    office, bench = visit("administrator"), visit("pathologist")
    for_bench = {
        line.name for line in route_table(house) if "administrator" not in allowed(line)
    }  # fmt: skip
    tried = set()
    for found in described(house).get_all_operations():
        operation = found.ok()
        name = f"{operation.method.upper()} {operation.path}"
        if operation.path not in LEAVES | NOT_READY:
            attempt_all(house, bench if name in for_bench else office, operation)
            tried.add(name)
    assert len(tried) > 50
    assert tried >= for_bench
    for one in (office, bench):
        assert one.get("/account").status_code == 200, "nobody was signed out meanwhile"


def attempt_all(house: House, one: Visitor, operation: Any) -> None:
    @settings(
        max_examples=EXAMPLES, deadline=None, database=None, derandomize=True,
        phases=[Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy(), numbers=st.sampled_from([None, house.case_of("S-1")]))
    def attempt(case: Any, numbers: int | None) -> None:
        if numbers is not None and case.path_parameters:
            case.path_parameters = dict.fromkeys(case.path_parameters, numbers)
        body = case.body if isinstance(case.body, dict) else {}
        fields = {name: _plain(value) for name, value in body.items()} | {"csrf": one.csrf}
        answer = one.client.request(
            case.method,
            case.formatted_path,
            params={name: _plain(value) for name, value in (case.query or {}).items()},
            data=fields if case.method == "POST" else None,
        )
        assert answer.status_code < 500, f"{case.method} {answer.url}: {fields}"
        for name, value in HEADERS.items():
            assert answer.headers[name] == value, answer.url

    attempt()


def _plain(value: object) -> Any:
    """Return a value as a form can carry it."""
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return str(value).encode("utf-8", "replace").decode()
