"""The overview, the metrics and the health of a service."""

from collections.abc import Callable
from datetime import timedelta

import httpx
from playwright.sync_api import Page, expect

from verifier.transport import Metrics
from web.house import House, critical, free
from web.visits import Visitor


def cells(page: Page, table: str) -> list[list[str]]:
    rows = page.locator(f"#{table} tbody tr")
    return [row.locator("th, td").all_inner_texts() for row in rows.all()]


def test_the_overview_counts_what_happened(house: House, open_page: Callable[..., Page]) -> None:
    for name in ("S-1", "S-2", "S-3"):
        house.take(free(name))
    house.take(critical("S-4", patient="4"))
    page = open_page("technologist")
    page.goto("/overview")
    by_test = {row[0]: row for row in cells(page, "by-test")}
    assert by_test["Potassium"][3:] == ["3", "0", "0", "1"]
    assert by_test["Potassium"][1] == "75%"
    pareto = cells(page, "pareto")
    assert pareto[-1][4] == "100%"
    assert sum(int(row[2]) for row in pareto) >= 1
    assert any("critical" in row[1] for row in pareto)
    ages = cells(page, "queue-ages")
    held = len(house.store.read(lambda reader: reader.queue()))
    assert [row[1] for row in ages] == [str(held), "0", "0", "0", "0", "0", "0", "0"]
    assert ages[0][3] == "1"
    assert cells(page, "doors")[0][0] == "chemistry"
    assert "does not listen" in cells(page, "doors")[0][1]
    assert cells(page, "outbox")[0][3] != "–"
    expect(page.locator("svg.pareto")).to_be_visible()


def test_who_may_read_the_metrics(house: House, visit: Callable[[str], Visitor]) -> None:
    """Whoever comes through a proxy on this machine seems to come from this machine."""
    desk = house.server.config.app.state.desk  # type: ignore[union-attr]
    plain = desk.settings

    def ask(metrics: dict[str, str] | None = None, **headers: str) -> int:
        more = {"secure_cookie": True} if metrics is None else {"metrics": Metrics(**metrics)}
        desk.settings = plain.model_copy(update={"web": plain.web.model_copy(update=more)})
        return httpx.get(
            f"{house.url}/metrics", headers=headers, trust_env=False, timeout=60
        ).status_code

    assert ask({}) == 200
    assert ask({}, **{"X-Forwarded-For": "127.0.0.1"}) == 403
    assert ask({}, **{"X-Forwarded-For": "192.0.2.7"}) == 403
    assert ask() == 403, "behind a proxy"
    assert ask({"token": "a secret"}) == 403
    assert ask({"token": "a secret"}, Authorization="Bearer another") == 403
    assert ask({"token": "a secret"}, Authorization="Bearer a secret") == 200


def test_what_is_missing_before_it_can_work(house: House) -> None:
    def ready() -> tuple[int, str]:
        answer = httpx.get(f"{house.url}/readyz", trust_env=False, timeout=60)
        return answer.status_code, answer.text.strip()

    desk = house.server.config.app.state.desk  # type: ignore[union-attr]
    assert ready() == (503, "listeners")
    for door in desk.status.doors.values():
        door.listening = True
    assert ready() == (200, "ready")
    house.line.alarm = "version 2 should decide and does not"
    assert ready() == (200, "ready"), "the version before goes on"
    house.store.close()
    assert ready() == (503, "database")
    assert httpx.get(f"{house.url}/healthz", trust_env=False, timeout=60).status_code == 200


def test_periods_of_the_overview(house: House, visit: Callable[[str], Visitor]) -> None:
    house.take(free("S-1"))
    one = visit("technologist")
    today = house.time().date().isoformat()
    counted = ">Sodium</th>"
    assert counted in one.get("/overview").text
    assert counted in one.get(f"/overview?period=days&first={today}&last={today}").text
    house.time.ahead = timedelta(days=3)
    one = visit("technologist")
    assert counted in one.get("/overview?period=7").text
    assert counted not in one.get("/overview").text
    for asked, said in (
        ("first=x&last=y", "year-month-day"),
        (f"first={today}&last=2020-01-01", "must not be after"),
        (f"first=2020-01-01&last={today}", "At most 93 days"),
        ("first=2999-01-01&last=2999-01-02", "in the future"),
    ):
        assert said in one.get(f"/overview?period=days&{asked}").text
