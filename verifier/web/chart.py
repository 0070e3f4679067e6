"""The values of a test over time, large: axes to scale, the reference band, a readout per value.

Drawn as SVG without style or script. Every value can be reached by keyboard and says itself what
it is; the one under the pointer or the focus is written out above the drawing.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from verifier.facts.numbers import value_text
from verifier.facts.values import Between, Number, Titer, TiterBetween, Value
from verifier.web.limitlist import Band
from verifier.web.ticks import number_ticks, time_ticks

WIDTH, HEIGHT = 760, 210
LEFT, RIGHT, TOP, BOTTOM = 64, 14, 30, 28


@dataclass(frozen=True, slots=True)
class Point:
    """A value, when its specimen was collected, and what is read out of it."""

    at: datetime
    value: Value
    readout: str
    present: bool = False


@dataclass(frozen=True, slots=True)
class _Placed:
    point: Point
    height: float
    kind: str  # "number", "below" or "above"


@dataclass(frozen=True, slots=True)
class _Scale:
    first: datetime
    last: datetime
    low: float
    high: float

    def across(self, at: datetime) -> float:
        span = (self.last - self.first).total_seconds()
        share = (at - self.first).total_seconds() / span if span else 0.5
        return round(LEFT + 8 + share * (WIDTH - LEFT - RIGHT - 16), 1)

    def down(self, height: float) -> float:
        share = (height - self.low) / (self.high - self.low)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)


def chart(points: Sequence[Point], band: Band | None, zone: ZoneInfo, label: str) -> Markup | None:
    """Return the drawing; None when fewer than two values can be placed.

    Args:
        points: values in one unit, oldest first.
        band: the reference interval of this person, in the same unit.
        zone: of the time axis.
        label: what the whole is called.
    """
    placed = [one for point in points if (one := _place(point))]
    if len(placed) < 2:
        return None
    titers = any(isinstance(one.point.value, Titer | TiterBetween) for one in placed)
    band = None if titers else band
    scale = _scale(placed, band)
    shapes = [
        *(_band(band, scale) if band else ()),
        *_value_axis(placed, scale, titers=titers),
        *_time_axis(scale, zone),
        _trace(placed, scale),
        *(_dot(one, scale) for one in placed),
    ]
    return Markup(  # noqa: S704  # numbers of ours, and texts that are escaped
        f'<svg class="chart" role="group" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'aria-label="{escape(label)}">{"".join(shapes)}</svg>'
    )


def _place(point: Point) -> _Placed | None:
    match point.value:
        case Titer(value=number):
            return _Placed(point, math.log2(number), "number")
        case Number(value=number):
            return _Placed(point, float(number), "number")
        case Between(low=None, high=high) if high is not None:
            return _Placed(point, _height(point.value, float(high)), "below")
        case Between(low=low) if low is not None:
            return _Placed(point, _height(point.value, float(low)), "above")
    return None


def _height(value: Value, end: float) -> float:
    return math.log2(end) if isinstance(value, TiterBetween) else end


def _scale(placed: Sequence[_Placed], band: Band | None) -> _Scale:
    heights = [one.height for one in placed]
    heights += [float(end) for end in (band.low, band.high) if end is not None] if band else []
    low, high = min(heights), max(heights)
    air = (high - low) * 0.08 or abs(high) * 0.1 or 1.0
    times = [one.point.at for one in placed]
    return _Scale(min(times), max(times), low - air, high + air)


def _band(band: Band, scale: _Scale) -> list[str]:
    top = TOP if band.high is None else scale.down(float(band.high))
    bottom = HEIGHT - BOTTOM if band.low is None else scale.down(float(band.low))
    shape = (
        f'<rect class="interval" x="{LEFT}" y="{top}" width="{WIDTH - LEFT - RIGHT}" '
        f'height="{max(1.0, round(bottom - top, 1))}"/>'
    )
    ends = [end for end in (band.low, band.high) if end is not None]
    lines = [
        f'<line class="edge" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}"/>'
        for y in (scale.down(float(end)) for end in ends)
    ]
    return [shape, *lines]


def _value_axis(placed: Sequence[_Placed], scale: _Scale, *, titers: bool) -> list[str]:
    if titers:
        marks = {one.height: value_text(one.point.value).lstrip("<>=") for one in placed}
    else:
        marks = {number: _short(number) for number in number_ticks(scale.low, scale.high)}
    return [
        f'<text class="tick" x="{LEFT - 6}" y="{scale.down(height) + 4}" text-anchor="end">'
        f'{escape(words)}</text><line class="grid" x1="{LEFT - 3}" x2="{LEFT}" '
        f'y1="{scale.down(height)}" y2="{scale.down(height)}"/>'
        for height, words in marks.items()
    ] + [f'<line class="grid" x1="{LEFT}" x2="{LEFT}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/>']


def _time_axis(scale: _Scale, zone: ZoneInfo) -> list[str]:
    floor = HEIGHT - BOTTOM
    return [
        f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{floor}" y2="{floor}"/>',
        *(
            f'<line class="grid" x1="{x}" x2="{x}" y1="{floor}" y2="{floor + 4}"/>'
            f'<text class="tick" x="{x}" y="{floor + 18}" text-anchor="middle">'
            f"{escape(words)}</text>"
            for x, words in (
                (scale.across(at), words) for at, words in time_ticks(scale.first, scale.last, zone)
            )
        ),
    ]


def _trace(placed: Sequence[_Placed], scale: _Scale) -> str:
    path = " ".join(f"{scale.across(o.point.at)},{scale.down(o.height)}" for o in placed)
    return f'<polyline class="trace" points="{path}" fill="none"/>'


def _dot(one: _Placed, scale: _Scale) -> str:
    x, y, said = scale.across(one.point.at), scale.down(one.height), escape(one.point.readout)
    present = " now" if one.point.present else ""
    size = 6 if one.point.present else 4
    if one.kind == "number":
        mark = f'<circle class="mark{present}" cx="{x}" cy="{y}" r="{size}"/>'
    else:
        tip = 8 if one.kind == "below" else -8
        mark = f'<path class="mark{present}" d="M{x - 6} {y}h12l-6 {tip}z"/>'
    return (
        f'<g class="dot{present}" role="img" tabindex="0" aria-label="{said}">'
        f'<circle class="reach" cx="{x}" cy="{y}" r="13"/>{mark}'
        f'<text class="readout" x="{LEFT}" y="16">{said}</text></g>'
    )


def _short(number: float) -> str:
    return f"{number:.10g}"
