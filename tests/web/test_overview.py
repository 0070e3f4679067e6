"""The overview, the metrics and the health of a service."""

from collections.abc import Callable

from playwright.sync_api import Page, expect

from web.house import House, critical, free


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
    assert by_test["Potassium"][1] == "75.0%"
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
