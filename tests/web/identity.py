"""Identity providers on loopback: a real one in a process, and one that can be told to lie."""

import base64
import hashlib
import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
from joserfc import jwt
from joserfc.jwk import RSAKey

ROLES = {"lab-heads": "pathologist", "lab-bench": "technologist"}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def oidc_settings(issuer: str, port: int, **more: Any) -> dict[str, Any]:
    return {
        "issuer": issuer, "client_id": "verifier", "client_secret": "a secret & more",
        "address": f"http://127.0.0.1:{port}", "roles": ROLES, **more,
    }  # fmt: skip


@contextmanager
def provider_process(*people: dict[str, Any]) -> Iterator[str]:
    """Run a provider in a process of its own that wants a registered client and a nonce."""
    port = free_port()
    words = [word for one in people for word in ("--user-claims", json.dumps(one))]
    command = [sys.executable, "-m", "oidc_provider_mock", "--port", str(port)]
    command += ["--require-registration", "true", "--require-nonce", "true", *words]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    address = f"http://localhost:{port}"
    try:
        _wait_for(address, process)
        yield address
    finally:
        process.terminate()
        process.wait(20)


def _wait_for(address: str, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + 60
    while True:
        try:
            httpx.get(f"{address}/.well-known/openid-configuration", trust_env=False)
            return
        except httpx.HTTPError:
            assert process.poll() is None, "the provider ended"
            assert time.monotonic() < until, "the provider did not answer within 60 s"
            time.sleep(0.1)


def register(issuer: str, back: str) -> dict[str, str]:
    """Register a client (RFC 7591) and return its id and secret."""
    body = {"redirect_uris": [back], "scope": "openid profile"}
    told = httpx.post(f"{issuer}/oauth2/clients", json=body, trust_env=False).json()
    return {"client_id": told["client_id"], "client_secret": told["client_secret"]}


def seconds() -> int:
    return int(datetime.now(UTC).timestamp())


@dataclass
class Liar:
    """A provider that checks client and code verifier, and says what a test makes it say.

    Tokens are made by joserfc, which is not the library that reads them.
    """

    url: str = ""
    key: RSAKey = field(default_factory=lambda: RSAKey.generate_key(2048, {"kid": "one"}))
    forge: Callable[[dict[str, Any]], str] | None = None
    claims: dict[str, Any] = field(default_factory=dict)
    document: dict[str, Any] = field(default_factory=dict)
    details: dict[str, Any] = field(default_factory=dict)
    asked: dict[str, str] = field(default_factory=dict)
    refusals: list[str] = field(default_factory=list)

    def authorize(self, address: str) -> dict[str, str]:
        """Do what the browser and a person would; return what comes back."""
        self.asked = {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
        return {"code": "c-1", "state": self.asked["state"]}

    def honest(self) -> dict[str, Any]:
        return {
            "iss": self.url, "sub": "u-1", "aud": "verifier", "exp": seconds() + 300,
            "iat": seconds(), "nonce": self.asked["nonce"], "preferred_username": "Nora",
            "groups": ["staff", "lab-bench"], **self.claims,
        }  # fmt: skip

    def sign(self, claims: dict[str, Any], key: RSAKey | None = None, alg: str = "RS256") -> str:
        kid = (key or self.key).kid
        told = {name: value for name, value in claims.items() if value is not None}
        return jwt.encode({"alg": alg, "kid": kid}, told, key or self.key, algorithms=[alg])

    def answer(self, path: str, form: dict[str, str], authorization: str) -> Any:
        if path == "/.well-known/openid-configuration":
            places = {
                "authorization_endpoint": "authorize", "token_endpoint": "token",
                "jwks_uri": "keys", "userinfo_endpoint": "me",
            }  # fmt: skip
            found = {name: f"{self.url}/{place}" for name, place in places.items()}
            return {"issuer": self.url, **found, **self.document}
        if path == "/keys":
            return {"keys": [self.key.as_dict(private=False)]}
        if path == "/me":
            return {"sub": "u-1", **self.details} if authorization == "Bearer t-1" else None
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        given = base64.urlsafe_b64encode(digest).decode().rstrip("=")
        client = base64.b64encode(b"verifier:a+secret+%26+more").decode()
        if given != self.asked["code_challenge"] or authorization != f"Basic {client}":
            self.refusals.append("client or code verifier")
            return None
        token = (self.forge or self.sign)(self.honest())
        return {"access_token": "t-1", "token_type": "Bearer", "id_token": token}


@contextmanager
def liar() -> Iterator[Liar]:
    one = Liar()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self._tell({})

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"])).decode()
            self._tell({name: values[0] for name, values in parse_qs(body).items()})

        def _tell(self, form: dict[str, str]) -> None:
            told = one.answer(self.path, form, self.headers.get("authorization", ""))
            self.send_response(200 if told is not None else 401)
            self.end_headers()
            self.wfile.write(json.dumps(told).encode())

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    one.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield one
    finally:
        server.shutdown()
        thread.join(20)
        server.server_close()
