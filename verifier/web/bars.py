"""Bars, drawn as SVG without any style: the style sheet colors them. What they say stands beside
them in a table, so they are hidden from who listens, but for the one chart that has no table row.
"""

from collections.abc import Sequence

from markupsafe import Markup, escape

WIDTH, HEIGHT = 1000, 260
LEFT, RIGHT, TOP, BOTTOM = 44, 44, 16, 24
MOST = 12  # bars of a chart; the rest is in the table


def bar(part: float) -> Markup:
    """Return a bar that is full for 1 and empty for 0."""
    wide = round(100 * min(1.0, max(0.0, part)), 1)
    return Markup(  # noqa: S704  # numbers of ours
        '<svg class="bar" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        '<rect class="whole" width="100" height="10"/>'
        f'<rect class="part" width="{wide}" height="10"/></svg>'
    )


def pareto(parts: Sequence[float], sofar: Sequence[float], label: str) -> Markup:
    """Return bars from the longest to the shortest, numbered, with the line of their sum.

    Args:
        parts: what each is of the whole, 0 to 1, the largest first.
        sofar: the sums of `parts` up to each.
        label: what the chart shows, in words.
    """
    parts, sofar = parts[:MOST], sofar[:MOST]
    room = (WIDTH - LEFT - RIGHT) / max(len(parts), 1)
    shapes = [_level(percent) for percent in (0, 25, 50, 75, 100)]
    for at, part in enumerate(parts):
        x, y = round(LEFT + room * (at + 0.15), 1), _down(part)
        wide, tall = round(room * 0.7, 1), round(HEIGHT - BOTTOM - y, 1)
        shapes.append(f'<rect class="part" x="{x}" y="{y}" width="{wide}" height="{tall}"/>')
        shapes.append(f'<text class="at" x="{x + wide / 2:.1f}" y="{HEIGHT - 6}">{at + 1}</text>')
    places = [(round(LEFT + room * (at + 0.5), 1), _down(sum_)) for at, sum_ in enumerate(sofar)]
    line = " ".join(f"{x},{y}" for x, y in places)
    shapes.append(f'<polyline class="sum" points="{line}" fill="none"/>')
    shapes += [f'<circle class="sum" cx="{x}" cy="{y}" r="4"/>' for x, y in places]
    return Markup(  # noqa: S704  # numbers of ours, and one text that is escaped
        f'<svg class="pareto" role="img" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'aria-label="{escape(label)}">{"".join(shapes)}</svg>'
    )


def _down(part: float) -> float:
    return round(TOP + (1 - part) * (HEIGHT - TOP - BOTTOM), 1)


def _level(percent: int) -> str:
    y = _down(percent / 100)
    return (
        f'<path class="level" d="M{LEFT} {y}H{WIDTH - RIGHT}"/>'
        f'<text class="scale" x="{LEFT - 6}" y="{y + 4}">{percent}</text>'
    )
