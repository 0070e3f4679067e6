"""Control charts (Levey S, Jennings ER, Am J Clin Pathol 1950;20:1059), drawn as SVG without style.

Measurements stand in their order, equally far apart, as many SDs from the mean as they are. What a
mark means is told by its shape and, for violations, by the rule written above it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup, escape

WIDTH, HEIGHT = 1000, 328
LEFT, RIGHT, TOP, BOTTOM = 58, 46, 34, 34
MOST = 4.0  # SDs above and below the mean that are drawn; beyond, a mark has an arrow at the edge
_SD = (HEIGHT - TOP - BOTTOM) / (2 * MOST)


@dataclass(frozen=True, slots=True)
class Mark:
    """One measurement: its z, verdict and rules, and what a reader is told about it.

    `acted` says that a corrective action was recorded since the one before. One without a value
    stands at the `foot` of the drawing.
    """

    at: datetime
    z: float
    verdict: str
    rules: tuple[str, ...]
    text: str
    acted: bool = False
    foot: bool = False


def chart(marks: Sequence[Mark], scale: Sequence[str], label: str) -> Markup:
    """Return the chart of a level; `scale` are the values at −3 … +3 SD, seven texts."""
    shapes = [_lines(scale), *_days(marks), _trace(marks)]
    shapes += [_shape(_across(at, len(marks)), mark) for at, mark in enumerate(marks)]
    return Markup(  # noqa: S704  # numbers of ours; every text is escaped
        f'<svg class="chart" role="img" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'aria-label="{escape(label)}">{"".join(shapes)}</svg>'
    )


def _across(at: int, count: int) -> float:
    room = WIDTH - LEFT - RIGHT
    return round(LEFT + room * (at + 0.5) / max(count, 1), 1)


def _down(z: float) -> float:
    return round(TOP + (MOST - max(-MOST, min(MOST, z))) * _SD, 1)


def _lines(scale: Sequence[str]) -> str:
    band = f'<rect class="two" x="{LEFT}" y="{_down(2)}" width="{WIDTH - LEFT - RIGHT}" '
    shapes = [f'{band}height="{round(4 * _SD, 1)}"/>']
    for sd, value in zip(range(-3, 4), scale, strict=True):
        y = _down(sd)
        name = "mean" if sd == 0 else f"sd{abs(sd)}"
        said = "mean" if sd == 0 else f"{sd:+d} SD".replace("-", "−")
        shapes.append(f'<path class="{name}" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>')
        shapes.append(f'<text class="axis" x="{LEFT - 6}" y="{y + 4}">{escape(value)}</text>')
        shapes.append(f'<text class="axis sd" x="{WIDTH - RIGHT + 4}" y="{y + 4}">{said}</text>')
    return "".join(shapes)


def _days(marks: Sequence[Mark]) -> list[str]:
    """Name the days below the chart, as many as there is room for."""
    shapes, free, before = [], 0.0, None
    for at, mark in enumerate(marks):
        x, day = _across(at, len(marks)), mark.at.date()
        if day != before and x >= free:
            text = f"{day.day} {day:%b}"
            shapes.append(f'<text class="day" x="{x}" y="{HEIGHT - 12}">{text}</text>')
            free, before = x + 60, day
    return shapes


def _trace(marks: Sequence[Mark]) -> str:
    points = " ".join(
        f"{_across(at, len(marks))},{_down(m.z)}"
        for at, m in enumerate(marks)
        if m.verdict not in ("left-out", "not-judged")
    )
    return f'<polyline class="trace" points="{points}" fill="none"/>'


def _shape(x: float, mark: Mark) -> str:
    y = HEIGHT - BOTTOM - 4 if mark.foot else _down(mark.z)
    acted = f'<path class="acted" d="M{x - 5} {TOP}V{HEIGHT - BOTTOM}"/>' if mark.acted else ""
    if mark.verdict == "left-out":
        shape = f'<path d="M{x - 6} {y}l6 -6l6 6l-6 6z"/>'
    elif mark.verdict == "not-judged":
        shape = f'<text class="unclear" x="{x}" y="{y}">?</text>'
    elif mark.verdict == "rejected":
        shape = f'<path d="M{x - 5} {y - 5}l10 10m0 -10l-10 10"/>'
    elif mark.verdict == "warning":
        shape = f'<path d="M{x - 6} {y + 5}h12l-6 -11z"/>'
    else:
        shape = f'<circle cx="{x}" cy="{y}" r="3.5"/>'
    if abs(mark.z) > MOST:
        edge, tip = (y - 9, -6) if mark.z > 0 else (y + 9, 6)
        shape += f'<path class="edge" d="M{x - 6} {edge}l6 {tip}l6 {-tip}"/>'
    # The warning says nothing more beside a rule that rejects.
    rules = escape(", ".join([rule for rule in mark.rules if rule != "1-2s"] or mark.rules))
    place = y - 18 if mark.z > MOST else y - 12 if mark.z >= 0 else y + 20
    named = f'<text class="rule" x="{x}" y="{place}">{rules}</text>' if rules else ""
    title = f"<title>{escape(mark.text)}</title>"
    return f'{acted}<g class="v-{mark.verdict}">{title}{shape}{named}</g>'
