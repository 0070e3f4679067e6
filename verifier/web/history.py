"""The values of a test over time, drawn as SVG without any style: the style sheet colors it.

The time axis is true to scale. A censored value is a triangle at its known bound that points to
where the value lies; the present value is larger than the others; the band is the reference.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup, escape

from verifier.facts.numbers import value_text
from verifier.facts.values import Between, Number, Value
from verifier.web.catalogue import say

WIDTH, HEIGHT, MARGIN = 168, 40, 6
_INTERVAL = re.compile(r"(-?\d+(?:\.\d+)?) *(?:-|–|to) *(-?\d+(?:\.\d+)?)")


@dataclass(frozen=True, slots=True)
class Point:
    """A value and when its specimen was collected."""

    at: datetime
    value: Value


@dataclass(frozen=True, slots=True)
class _Dot:
    at: datetime
    height: float
    kind: str  # "number", "below" or "above"


def draw(points: Sequence[Point], reference: str = "") -> Markup | None:
    """Return the drawing, oldest left; None when fewer than two values can be placed.

    Args:
        points: values in one unit, oldest first; the last is the present one.
        reference: the reference interval as text (``3.5 to 5.1``); others draw no band.
    """
    dots = [dot for point in points if (dot := _dot(point))]
    if len(dots) < 2:
        return None
    band = _band(reference)
    heights = [dot.height for dot in dots] + list(band or ())
    low, high = min(heights), max(heights)
    first, last = dots[0].at, max(dot.at for dot in dots)
    span, room = (last - first).total_seconds() or 1.0, (high - low) or 1.0

    def across(at: datetime) -> float:
        share = (at - first).total_seconds() / span
        return round(MARGIN + share * (WIDTH - 2 * MARGIN), 1)

    def down(height: float) -> float:
        return round(HEIGHT - MARGIN - (height - low) / room * (HEIGHT - 2 * MARGIN), 1)

    places = [(across(dot.at), down(dot.height), dot.kind) for dot in dots]
    path = " ".join(f"{x},{y}" for x, y, _ in places)
    shapes = [_band_shape(down(band[1]), down(band[0]))] if band else []
    shapes.append(f'<polyline class="trace" points="{path}" fill="none"/>')
    shapes += [_mark(x, y, kind, at == len(places) - 1) for at, (x, y, kind) in enumerate(places)]
    label = escape(_description(points, reference))
    return Markup(  # noqa: S704  # numbers of ours, and one text that is escaped
        f'<svg class="history" role="img" width="{WIDTH}" height="{HEIGHT}" '
        f'viewBox="0 0 {WIDTH} {HEIGHT}" aria-label="{label}">{"".join(shapes)}</svg>'
    )


def _dot(point: Point) -> _Dot | None:
    match point.value:
        case Number(value=number):
            return _Dot(point.at, float(number), "number")
        case Between(low=None, high=high) if high is not None:
            return _Dot(point.at, float(high), "below")
        case Between(low=low) if low is not None:
            return _Dot(point.at, float(low), "above")
    return None


def _band(reference: str) -> tuple[float, float] | None:
    found = _INTERVAL.search(reference)
    if not found:
        return None
    low, high = float(found[1]), float(found[2])
    return (low, high) if low < high else None


def _band_shape(top: float, bottom: float) -> str:
    tall = max(1.0, round(bottom - top, 1))
    return f'<rect class="interval" x="0" y="{top}" width="{WIDTH}" height="{tall}"/>'


def _mark(x: float, y: float, kind: str, present: bool) -> str:
    name = "mark present" if present else "mark"
    if kind == "number":
        return f'<circle class="{name}" cx="{x}" cy="{y}" r="{4 if present else 2.5}"/>'
    tip = 5 if kind == "below" else -5
    return f'<path class="{name}" d="M{x - 4} {y}h8l-4 {tip}z"/>'


def _description(points: Sequence[Point], reference: str) -> str:
    values = ", ".join(value_text(point.value) for point in points)
    said = say("Values over time, oldest first: %(values)s", values=values)
    return f"{said}; {say('reference %(limits)s', limits=reference)}" if reference else said
