"""A person at the page without a browser: what a program could send."""

import re
from dataclasses import dataclass

import httpx


@dataclass
class Visitor:
    client: httpx.Client
    csrf: str

    def get(self, path: str) -> httpx.Response:
        return self.client.get(path)

    def post(self, path: str, **fields: object) -> httpx.Response:
        return self.client.post(path, data={"csrf": self.csrf, **fields})


def token_of(page: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    assert found, "no form on this page"
    return found[1]


def sign_in(client: httpx.Client, name: str, password: str) -> Visitor:
    answer = attempt(client, name, password)
    assert answer.status_code == 303, answer.text
    return Visitor(client, token_of(client.get("/account").text))


def attempt(client: httpx.Client, name: str, password: str, **more: str) -> httpx.Response:
    csrf = token_of(client.get("/sign-in").text)
    fields = {"csrf": csrf, "name": name, "password": password, **more}
    return client.post("/sign-in", data=fields)
