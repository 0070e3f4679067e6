"""The large drawing: both axes to scale, the band of the person, a readout at every value."""

import math
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as some

from verifier.facts.values import Between, Number, Titer, Value, Words
from verifier.web.chart import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Point, chart
from verifier.web.limitlist import Band
from verifier.web.ticks import MOST, number_ticks, time_ticks

START = datetime(2026, 1, 1, 12, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


def drawn(values: list[tuple[float, Value]], band: Band | None = None) -> ElementTree.Element:
    last = len(values) - 1
    points = [
        Point(START + timedelta(days=day), value, f"number {at}", present=at == last)
        for at, (day, value) in enumerate(values)
    ]
    svg = chart(points, band, BERLIN, "Potassium")
    assert svg is not None
    return ElementTree.fromstring(svg)


def number(text: str) -> Number:
    return Number(Decimal(text))


def trace(svg: ElementTree.Element) -> list[tuple[float, float]]:
    line = svg.find("polyline")
    assert line is not None
    pairs = (pair.split(",") for pair in line.attrib["points"].split())
    return [(float(x), float(y)) for x, y in pairs]


def test_time_and_value_are_to_scale() -> None:
    (x1, y1), (x2, y2), (x3, y3) = trace(
        drawn([(0, number("4")), (10, number("5")), (40, number("7"))])
    )
    assert (x2 - x1) / (x3 - x1) == pytest.approx(10 / 40, abs=0.002)
    assert (y1 - y2) / (y1 - y3) == pytest.approx(1 / 3, abs=0.005)


def test_titers_lie_by_their_dilution_steps() -> None:
    (_, y1), (_, y2), (_, y3) = trace(
        drawn([(0, Titer(Decimal(20))), (1, Titer(Decimal(40))), (2, Titer(Decimal(160)))])
    )
    assert (y2 - y3) == pytest.approx(2 * (y1 - y2), abs=0.3)


def test_an_open_end_of_the_band_goes_to_the_edge() -> None:
    values: list[tuple[float, Value]] = [(0, number("4")), (1, number("8"))]
    for low, high in ((None, Decimal(5)), (Decimal(5), None), (Decimal(5), Decimal(6))):
        svg = drawn(values, Band(low, high, "as told", "adult"))
        band = svg.find("rect")
        assert band is not None
        top, tall = float(band.attrib["y"]), float(band.attrib["height"])
        assert (top == TOP) is (high is None)
        assert (round(top + tall, 1) == HEIGHT - BOTTOM) is (low is None)
    assert drawn(values).find("rect") is None


def test_every_value_says_what_it_is_and_can_be_reached() -> None:
    values: list[tuple[float, Value]] = [
        (0, number("4")), (1, Between(None, Decimal("0.2"))), (2, Words("hemolyzed")),
        (3, Between(Decimal(9), None)), (4, number("5")),
    ]  # fmt: skip
    dots = drawn(values).findall("g")
    assert [dot.attrib["aria-label"] for dot in dots] == [f"number {n}" for n in (0, 1, 3, 4)]
    assert all(dot.attrib["tabindex"] == "0" for dot in dots)
    assert [len(dot.findall("path")) for dot in dots] == [0, 1, 1, 0], "censored ones are triangles"
    assert [dot.findtext("text") for dot in dots] == [dot.attrib["aria-label"] for dot in dots]
    assert dots[-1].attrib["class"] == "dot now"


def test_one_value_is_no_history_and_markup_is_text() -> None:
    assert chart([Point(START, number("4"), "one")], None, BERLIN, "K") is None
    points = [Point(START, number("4"), "<script>"), Point(START, number("5"), '"><b>')]
    ElementTree.fromstring(str(chart(points, None, BERLIN, "</svg>")))


@given(some.lists(some.decimals(-1000, 1000, places=2), min_size=2, max_size=20))
def test_everything_lies_inside(values: list[Decimal]) -> None:
    for x, y in trace(drawn([(at * at, Number(value)) for at, value in enumerate(values)])):
        assert LEFT <= x <= WIDTH - RIGHT
        assert TOP <= y <= HEIGHT - BOTTOM


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (5, ["13:00", "14:00", "15:00", "16:00", "17:00", "18:00"]),
        (30, ["18:00", "2 Jan", "06:00", "12:00", "18:00"]),
        (24 * 5, ["2 Jan", "3 Jan", "4 Jan", "5 Jan", "6 Jan"]),
        (24 * 200, ["Feb 2026", "Mar 2026", "Apr 2026", "May 2026", "Jun 2026", "Jul 2026"]),
        (24 * 365 * 6, ["2027", "2028", "2029", "2030", "2031"]),
    ],
)
def test_time_is_marked_at_round_instants_of_the_zone(hours: int, words: list[str]) -> None:
    found = time_ticks(START, START + timedelta(hours=hours), BERLIN)
    assert len(found) <= MOST
    assert [said for _, said in found] == words


def test_marks_of_days_stay_at_midnight_over_the_change_of_the_clocks() -> None:
    """In 2026 the clocks of the European Union went forward on 29 March (Directive 2000/84/EC)."""
    first = datetime(2026, 3, 27, 12, tzinfo=UTC)
    found = time_ticks(first, first + timedelta(days=4), BERLIN)
    assert [said for _, said in found] == ["28 Mar", "29 Mar", "30 Mar", "31 Mar"]
    hours = [at.astimezone(UTC).hour for at, _ in found]
    assert hours == [23, 23, 22, 22]


@given(some.floats(-1e4, 1e4), some.floats(0.1, 1e6))
def test_numbers_are_marked_at_few_round_places(low: float, size: float) -> None:
    found = number_ticks(low, low + size)
    assert 2 <= len(found) <= 7
    assert all(low - size * 1e-6 <= one <= low + size * 1.000001 for one in found)
    step = found[1] - found[0]
    leading = step / 10.0 ** math.floor(math.log10(step) + 1e-6)
    assert any(math.isclose(leading, one, rel_tol=1e-3) for one in (1, 2, 5))
