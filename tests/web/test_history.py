"""The drawing: true to scale, honest about censored values, and free of style and script."""

import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as some

from verifier.facts.values import Absent, Between, Number, Titer, Words
from verifier.web.earlier import difference
from verifier.web.history import HEIGHT, WIDTH, Point, draw

DAY = datetime(2026, 1, 1, tzinfo=UTC)


def numbers(*values: str) -> list[Point]:
    return [
        Point(DAY + timedelta(days=at), Number(Decimal(value))) for at, value in enumerate(values)
    ]


def trace(svg: str) -> list[tuple[float, float]]:
    points = ElementTree.fromstring(svg).find("polyline")
    assert points is not None
    return [tuple(map(float, p.split(","))) for p in points.attrib["points"].split()]  # type: ignore[misc]


def test_time_and_value_are_to_scale() -> None:
    points = numbers("1", "2", "3")
    points[2] = Point(DAY + timedelta(days=4), points[2].value)
    (x1, y1), (x2, y2), (x3, y3) = trace(str(draw(points)))
    assert round((x2 - x1) / (x3 - x1), 2) == 0.25
    assert abs((y1 - y2) - (y2 - y3)) < 0.2
    assert y1 > y2 > y3, "larger is higher"


def test_the_band_is_the_reference() -> None:
    svg = str(draw(numbers("2", "6"), "3 to 5"))
    band = ElementTree.fromstring(svg).find("rect")
    assert band is not None
    (_, low), (_, high) = trace(svg)
    assert float(band.attrib["y"]) > high
    assert float(band.attrib["y"]) + float(band.attrib["height"]) < low
    assert 'class="interval"' not in str(draw(numbers("2", "6"), "above 5"))


def test_censored_values_are_triangles_at_their_bound() -> None:
    below = Point(DAY, Between(None, Decimal("0.2")))
    above = Point(DAY + timedelta(days=1), Between(Decimal(9), None))
    svg = str(draw([below, above]))
    assert len(re.findall("<path", svg)) == 2
    assert "&lt;0.2, &gt;9" in svg


def test_titers_are_named_as_dilutions_and_have_no_difference() -> None:
    earlier, present = Titer(Decimal(40)), Titer(Decimal(160))
    svg = str(draw([Point(DAY, earlier), Point(DAY + timedelta(days=1), present)], "<1:80"))
    assert "1:40, 1:160" in svg
    assert 'class="interval"' not in svg
    assert (difference(present, earlier), difference(Number(Decimal(3)), Number(Decimal(1)))) == (
        "",
        "+2",
    )


def test_one_value_or_words_draw_nothing() -> None:
    assert draw(numbers("1")) is None
    assert draw([Point(DAY, Words("positive")), Point(DAY, Absent("empty"))]) is None


def test_a_reference_with_markup_is_text() -> None:
    svg = str(draw(numbers("1", "2"), '"><script>alert(1)</script>'))
    assert "<script" not in svg
    ElementTree.fromstring(svg)


@given(some.lists(some.decimals(-1000, 1000, places=2), min_size=2, max_size=30))
def test_every_point_lies_inside(values: list[Decimal]) -> None:
    svg = str(draw(numbers(*map(str, values))))
    for x, y in trace(svg):
        assert 0 <= x <= WIDTH
        assert 0 <= y <= HEIGHT
