"""Charts of a document: where marks and levels stand, drawn on a sheet or as SVG."""

from collections.abc import Callable
from html import escape

from verifier.documents.document import Chart
from verifier.documents.sheet import LEFT, RIGHT, SMALL, WIDTH, Font, Sheet

_HEIGHT = 46.0
_MARGIN = 5.0
_LABELS = 30.0  # room for what the levels are called
_RADIUS = 0.7


def placing(chart: Chart) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Return what turns x and y of a chart into parts, 0 to 1, of its width and height."""
    xs = [mark.x for mark in chart.marks]
    ys = [mark.y for mark in chart.marks] + [level.y for level in chart.levels]
    return _part(xs, 0), _part(ys, 0.05)


def _part(values: list[float], margin: float) -> Callable[[float], float]:
    low, high = min(values, default=0), max(values, default=1)
    span = (high - low) or 1
    low, high = low - span * margin, high + span * margin
    if high == low:
        low, high = low - 1, high + 1
    return lambda value: (value - low) / (high - low)


def draw(sheet: Sheet, chart: Chart) -> None:
    """Draw a chart where the sheet is, with its summary below."""
    lines = sheet.lines(chart.summary, SMALL, WIDTH)
    sheet.need(_HEIGHT + 2 * _MARGIN + len(lines) * SMALL.height)
    across, up = placing(chart)
    top = sheet.y + _MARGIN
    wide = WIDTH - _LABELS - 2 * _RADIUS

    def x_of(value: float) -> float:
        return LEFT + _RADIUS + across(value) * wide

    def y_of(value: float) -> float:
        return top + (1 - up(value)) * _HEIGHT

    for level in chart.levels:
        y, strong = y_of(level.y), level.tone == "strong"
        sheet.line(LEFT, y, RIGHT - _LABELS, y, 90 if strong else 190, 0.3 if strong else 0.2)
        sheet.write(RIGHT - _LABELS + 1, level.label, SMALL, y - SMALL.height / 2)
    for one, two in zip(chart.marks, chart.marks[1:], strict=False):
        sheet.line(x_of(one.x), y_of(one.y), x_of(two.x), y_of(two.y), gray=120)
    for mark in chart.marks:
        x, y = x_of(mark.x), y_of(mark.y)
        sheet.pdf.set_fill_color(0)
        sheet.pdf.set_draw_color(0)
        radius = _RADIUS * (1.6 if mark.label else 1)
        sheet.pdf.circle(x, y, radius, style="D" if mark.label else "F")
        if mark.label:
            font = Font(SMALL.size, "B")
            sheet.write(x - sheet.width(mark.label, font) / 2, mark.label, font, y - 4.2)
    sheet.y = top + _HEIGHT + 1
    sheet.write(LEFT, chart.left, SMALL)
    sheet.write_right(RIGHT - _LABELS, chart.right, SMALL)
    sheet.y += SMALL.height + 1
    for line in lines:
        sheet.write(LEFT, line, SMALL)
        sheet.y += SMALL.height


def as_svg(chart: Chart) -> str:
    """Return a chart as SVG; every text in it is escaped."""
    across, up = placing(chart)
    places = [(10 + across(m.x) * 780, 20 + (1 - up(m.y)) * 200, m.label) for m in chart.marks]
    out = [f'<svg role="img" viewBox="0 0 980 260" aria-label="{escape(chart.summary)}">']
    for level in chart.levels:
        y = 20 + (1 - up(level.y)) * 200
        out.append(f'<path class="{level.tone}" d="M0 {y:.1f}H800"/>')
        out.append(f'<text x="808" y="{y + 4:.1f}">{escape(level.label)}</text>')
    if places:
        trace = "L".join(f"{x:.1f} {y:.1f}" for x, y, _ in places)
        out.append(f'<path class="trace" d="M{trace}"/>')
    for x, y, label in places:
        name = ' class="named"' if label else ""
        out.append(f'<circle{name} cx="{x:.1f}" cy="{y:.1f}" r="{6 if label else 3}"/>')
        if label:
            out.append(
                f'<text class="mark" x="{x:.1f}" y="{max(y - 10, 11):.1f}">{escape(label)}</text>'
            )
    out.append(f'<text x="0" y="250">{escape(chart.left)}</text>')
    out.append(f'<text class="right" x="800" y="250">{escape(chart.right)}</text></svg>')
    return "".join(out)
