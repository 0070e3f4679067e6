"""The routes of the page as the application itself knows them, with what guards each."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import httpx
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from verifier.web import guard
from web.house import House

FORM_GUARDS = {
    guard.meant, guard.meant_before_sign_in, guard.meant_by_page, guard.meant_on_entering,
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One method of one route; `abilities` are those it asks for."""

    method: str
    path: str
    abilities: tuple[str, ...]
    guards: frozenset[Any]
    fields: tuple[str, ...]  # of its form and of its query

    @property
    def name(self) -> str:
        return f"{self.method} {self.path}"

    @property
    def entering(self) -> bool:
        return guard.entering in self.guards

    @property
    def watching(self) -> bool:
        return guard.watching in self.guards

    def filled(self, number: object = 1) -> str:
        return re.sub(r"\{\w+\}", str(number), self.path)


def route_table(house: House) -> list[Line]:
    """Return every route but the static files."""
    table = house.server.config.app.routes  # type: ignore[union-attr]
    lines = [_line(route, method) for route in walk(table) for method in sorted(route.methods)]
    assert len(lines) > 50, "the table was read"
    return lines


def walk(table: list[Any]) -> Iterator[APIRoute]:
    for route in table:
        if isinstance(route, APIRoute):
            yield route
        else:
            part = getattr(route, "original_router", None)
            yield from walk(part.routes if part else [])


def _line(route: APIRoute, method: str) -> Line:
    parts = list(_calls(route.dependant))
    calls = [part.call for part in parts]
    fields = [f.alias for part in parts for f in (*part.body_params, *part.query_params)]
    return Line(
        method,
        route.path,
        tuple(call.ability for call in calls if isinstance(call, guard.May)),
        frozenset(call for call in calls if not isinstance(call, guard.May)),
        tuple(fields),
    )


def _calls(dependant: Dependant) -> Iterator[Dependant]:
    yield dependant
    for one in dependant.dependencies:
        yield from _calls(one)


def ask(client: httpx.Client, line: Line, fields: dict[str, str], **more: Any) -> httpx.Response:
    """Ask and read only the head: a stream would never end."""
    data = fields if line.method == "POST" else None
    with client.stream(line.method, line.filled(), data=data, **more) as answer:
        return answer
