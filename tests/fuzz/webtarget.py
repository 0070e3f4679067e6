"""The page as a target: requests made of bytes, straight into the application, as one who may."""

import asyncio
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import quote, urlencode

from databases import database_url
from fastapi.routing import APIRoute
from service.bench import Bench
from service.laboratory import RULES, result_message
from web.routetable import walk

from verifier.store.people import hash_password
from verifier.store.rows import ROLES
from verifier.store.store import Store
from verifier.web.app import create_app

# One never ends, one ends the session that all others need, one takes a second for each password.
_LEFT_OUT = {"/events", "/sign-out", "/sign-in"}
_ODD = [
    "", "0", "-1", "1", "99999999999999999999", "NaN", "1e400", "\0", "ä", "\ud83d", "'", '"',
    "<b>", "../../etc", "%", "{{7*7}}", "2026-02-30", "2026-01", "a" * 3000, "\r\n", "sodium",
    "chem", "S1",
]  # fmt: skip


class WebTarget:
    """An application with a specimen in it; call it with bytes."""

    def __init__(self, folder: Path, store: Store) -> None:
        (folder / "rules").mkdir()
        (folder / "rules" / "test.rules").write_text(RULES)
        bench = Bench(folder, store)
        bench.take(result_message("M1", results={"sodium": "140", "potassium": "6.9"}))
        bench.take(b"no message")
        self.app = create_app(store, bench.line, bench.line.settings, lambda: bench.now)
        self.routes = [route for route in walk(self.app.routes) if route.path not in _LEFT_OUT]
        hashed = hash_password("a long enough password")
        store.write(lambda tx: [tx.add_person(role, role, hashed) for role in ROLES])
        self._sessions = [self._signed_in(store, bench, role) for role in ROLES]
        self._loop = asyncio.new_event_loop()
        self.codes: dict[int, int] = {}

    def _signed_in(self, store: Store, bench: Bench, role: str) -> tuple[str, str]:
        token = store.write(lambda tx: tx.open_session(role, timedelta(days=9999)))
        session = store.read(lambda reader: reader.session(token, bench.now))
        assert session
        return token, session.csrf

    def close(self) -> None:
        self.app.state.desk.pulse.close()
        self.app.state.desk.chores.close()
        self._loop.close()

    def ask(self, method: str, path: str, body: bytes = b"") -> int:
        """Make one request as an administrator and return the code of the answer."""
        token, csrf = self._sessions[-1]
        body = body + f"&csrf={csrf}".encode()
        return self._loop.run_until_complete(self._request(method, path, b"", body, token))

    def __call__(self, data: bytes) -> None:
        """Make one request of `data`; anything but an answer below 500 is wrong."""
        random = Random(data)
        route = random.choice(self.routes)
        words = [part.decode("utf-8", "replace") for part in re.split(rb"[|^\r\n]", data)[:20]]
        token, csrf = random.choice(self._sessions)

        def word() -> str:
            return random.choice(_ODD if random.random() < 0.6 else words)

        path = re.sub(
            r"{[^}]*}", lambda _: quote(word() or "1", safe="", errors="replace"), route.path
        )
        query = _encoded([(p.name, word()) for p in route.dependant.query_params])
        fields = [(name, word()) for name in _fields(route) if random.random() < 0.9]
        body = _encoded([*fields, ("csrf", csrf)]) if random.random() < 0.95 else data
        method = next(iter(route.methods))
        code = self._loop.run_until_complete(self._request(method, path, query, body, token))
        self.codes[code] = self.codes.get(code, 0) + 1
        # 503 is what /readyz says of a service that is not ready.
        fine = 200 <= code < 500 or (code == 503 and path.startswith("/readyz"))
        assert fine, (method, path, query, body, code)

    async def _request(self, method: str, path: str, query: bytes, body: bytes, token: str) -> int:
        from urllib.parse import unquote

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": unquote(path, errors="replace"), "raw_path": path.encode(),
            "query_string": query, "root_path": "", "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 80),
            "headers": [
                (b"host", b"127.0.0.1"), (b"cookie", f"verifier_session={token}".encode()),
                (b"content-type", b"application/x-www-form-urlencoded"),
                (b"content-length", str(len(body)).encode()),
            ],
        }  # fmt: skip
        sent: list[dict[str, Any]] = []
        asked = False

        async def receive() -> dict[str, Any]:
            nonlocal asked
            if asked:
                return {"type": "http.disconnect"}
            asked = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Any) -> None:
            sent.append(message)

        await self.app(scope, receive, send)
        return int(sent[0]["status"])


def _encoded(fields: list[tuple[str, str]]) -> bytes:
    return urlencode(fields, errors="replace").encode()


def _fields(route: APIRoute) -> list[str]:
    names = []
    for found in (route.dependant, *route.dependant.dependencies):
        for param in found.body_params:
            inner = getattr(param.field_info.annotation, "model_fields", None)
            names += list(inner) if inner else [param.name]
    return names


@contextmanager
def web_target(folder: Path) -> Iterator[WebTarget]:
    """Open the application on an empty database."""
    with Store.open(database_url(folder), checkpoints=folder / "checkpoints") as store:
        target = WebTarget(folder, store)
        try:
            yield target
        finally:
            target.close()
