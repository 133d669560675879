"""Charts as SVG in the page: colours come from its style sheet, so that they follow its theme."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from markupsafe import Markup, escape

from buffet.service.pages.chart import Chart, Curve, Values, tick_text

WIDTH, HEIGHT = 640, 300
LEFT, RIGHT, TOP, BOTTOM = 66, 16, 14, 44
LABEL_ROOM = 120  # beside the plot, where curves are named at their ends
LABEL_GAP = 13  # from one such name to the next
PEAK_ROWS = 3  # in which labels of neighbours stand
PEAK_ROOM = 60  # right of a peak for its label; else it stands on the left
STYLES = 6


class _Plot:
    """Places of values within the drawing."""

    def __init__(self, chart: Chart) -> None:
        self.x_span, self.y_span = chart.x_span, chart.y_span
        has_labels = any(curve.end_label for curve in chart.curves)
        self.right = WIDTH - RIGHT - (LABEL_ROOM if has_labels else 0)
        self.bottom = HEIGHT - BOTTOM

    def x(self, value: float) -> float:
        return LEFT + self.x_span.share(value) * (self.right - LEFT)

    def y(self, value: float) -> float:
        return self.bottom - self.y_span.share(value) * (self.bottom - TOP)

    def points(self, xs: Sequence[float], ys: Values) -> list[str | None]:
        """Of each pair; None where there is no value."""
        pairs = zip(xs, ys, strict=True)
        return [None if y is None else f"{self.x(x):.1f} {self.y(y):.1f}" for x, y in pairs]


def svg(chart: Chart) -> Markup:
    """The chart with its title and description."""
    plot = _Plot(chart)
    parts = [
        *_frame(chart, plot),
        *(part for curve in chart.curves for part in _band(curve, chart, plot)),
        *(part for curve in chart.curves for part in _line(curve, chart, plot)),
        *_levels(chart, plot),
        *_peaks(chart, plot),
        *_end_labels(chart, plot),
    ]
    if chart.at_x is not None:
        x = plot.x(chart.at_x)
        parts.append(f'<path class="at" d="M{x:.1f} {TOP}V{plot.bottom}"/>')
    key = escape(chart.key)
    return Markup(
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="{key}-title {key}-desc">'
        f'<title id="{key}-title">{escape(chart.title)}</title>'
        f'<desc id="{key}-desc">{escape(chart.description)}</desc>{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, text: str, css: str) -> str:
    return f'<text class="{css}" x="{x:.1f}" y="{y:.1f}">{escape(text)}</text>'


def _frame(chart: Chart, plot: _Plot) -> Iterator[str]:
    """Grid, ticks and names of both axes."""
    for tick in plot.y_span.ticks():
        y = plot.y(tick)
        yield f'<path class="grid" d="M{LEFT} {y:.1f}H{plot.right}"/>'
        yield _text(LEFT - 6, y + 4, tick_text(tick), "end")
    for tick in plot.x_span.ticks():
        x = plot.x(tick)
        yield f'<path class="grid" d="M{x:.1f} {TOP}V{plot.bottom}"/>'
        yield _text(x, plot.bottom + 16, tick_text(tick), "middle")
    yield f'<path class="axis" d="M{LEFT} {TOP}V{plot.bottom}H{plot.right}"/>'
    yield _text((LEFT + plot.right) / 2, HEIGHT - 8, chart.x_name, "middle")
    y = (TOP + plot.bottom) / 2
    yield (
        f'<text class="middle" transform="translate(13 {y:.1f}) rotate(-90)">'
        f"{escape(chart.y_name)}</text>"
    )


def _stretches(points: Sequence[str | None]) -> Iterator[list[int]]:
    """Places of neighbours that are all there."""
    run: list[int] = []
    for i, point in enumerate(points):
        if point is not None:
            run.append(i)
        elif run:
            yield run
            run = []
    if run:
        yield run


def _style(curve: Curve) -> str:
    return "behind" if curve.style < 0 else f"s{curve.style % STYLES}"


def _band(curve: Curve, chart: Chart, plot: _Plot) -> Iterator[str]:
    if curve.low is None or curve.high is None:
        return
    low, high = plot.points(chart.x, curve.low), plot.points(chart.x, curve.high)
    both = [None if a is None or b is None else a for a, b in zip(low, high, strict=True)]
    for run in _stretches(both):
        there = "L".join(f"{high[i]}" for i in run)
        back = "L".join(f"{low[i]}" for i in reversed(run))
        yield f'<path class="band {_style(curve)}" d="M{there}L{back}Z"/>'


def _line(curve: Curve, chart: Chart, plot: _Plot) -> Iterator[str]:
    points = plot.points(chart.x, curve.y)
    for run in _stretches(points):
        path = "L".join(f"{points[i]}" for i in run)
        yield f'<path class="line {_style(curve)}" d="M{path}"/>'


def _levels(chart: Chart, plot: _Plot) -> Iterator[str]:
    for level in chart.levels:
        y = plot.y(level.y)
        yield f'<path class="level" d="M{LEFT} {y:.1f}H{plot.right}"/>'
        yield _text(LEFT + 5, y - 4, level.label, "start")


def _peaks(chart: Chart, plot: _Plot) -> Iterator[str]:
    for i, peak in enumerate(chart.peaks):
        x, y = plot.x(peak.x), TOP + 9 + LABEL_GAP * (i % PEAK_ROWS)
        yield f'<path class="peak" d="M{x:.1f} {TOP}V{plot.bottom}"/>'
        beside, side = (-3, "end") if x > plot.right - PEAK_ROOM else (3, "start")
        yield _text(x + beside, y, peak.label, side)


def _end_labels(chart: Chart, plot: _Plot) -> Iterator[str]:
    """Names beside the curves' ends, moved apart where they would lie on one another."""
    ends = []
    for curve in chart.curves:
        known = [value for value in curve.y if value is not None]
        if curve.end_label and known:
            ends.append((plot.y(known[-1]), curve.end_label))
    ends.sort()
    last = -float(LABEL_GAP)
    for y, label in ends:
        last = max(y, last + LABEL_GAP)
        yield _text(plot.right + 6, last + 4, label, "start")


def line_sample(style: int) -> Markup:
    """A short piece of a curve for a legend."""
    css = "behind" if style < 0 else f"s{style % STYLES}"
    return Markup(
        '<svg class="sample" viewBox="0 0 34 10" aria-hidden="true">'
        f'<path class="line {css}" d="M1 5H33"/></svg>'
    )
