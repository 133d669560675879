"""A chart as plain data: what the server draws as SVG and scripts draw again to be moved over."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, isfinite, log10
from typing import Any, NamedTuple

Values = Sequence[float | None]

# On a logarithmic axis nothing is shown below this share of the largest value.
LOG_DEPTH = 1e-6
MARGIN = 0.06  # of the axis, above and below what is drawn
ABOUT_TICKS = 8
DECADES_WITH_FIVES = 2.5  # up to so many, 2 and 5 stand between the powers of ten

SMALLEST_PLAIN = 0.001  # smaller numbers are told by a power of ten
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


class Span(NamedTuple):
    """An axis from its first value to its last."""

    low: float
    high: float
    is_log: bool

    def share(self, value: float) -> float:
        """Place on the axis, 0 to 1 from low to high, cut where it leaves it."""
        if self.is_log:
            if value <= 0:
                return 0.0
            share = log10(value / self.low) / log10(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return min(max(share, 0.0), 1.0)

    def ticks(self) -> list[float]:
        """Round values within the axis."""
        return _log_ticks(self.low, self.high) if self.is_log else _ticks(self.low, self.high)


@dataclass(frozen=True)
class Curve:
    """One line with its band, over the chart's `x`; None leaves a gap."""

    name: str
    style: int  # place among the line styles; -1 is drawn faint, as what stands behind
    y: Values
    low: Values | None = None
    high: Values | None = None
    end_label: str = ""  # beside its last point


class Level(NamedTuple):
    """A level across the chart, such as a limit."""

    y: float
    label: str


class Peak(NamedTuple):
    """A place on the x axis that is pointed at."""

    x: float
    label: str


@dataclass(frozen=True)
class Table:
    """The same as text, for whoever does not look at charts."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Chart:
    """Curves over one row of x values."""

    key: str  # unlike that of any other chart on the page
    title: str
    description: str
    x_name: str
    y_name: str
    x: Sequence[float]
    curves: tuple[Curve, ...]
    levels: tuple[Level, ...] = ()
    peaks: tuple[Peak, ...] = ()
    x_log: bool = False
    y_log: bool = False
    at_x: float | None = None  # where an upright line stands, and scripts move it
    caption: str = ""
    table: Table | None = None
    y_span: Span = field(init=False)
    x_span: Span = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "x_span", _span(self.x, self.x_log, margin=0.0))
        object.__setattr__(self, "y_span", _span(list(self._ys()), self.y_log, MARGIN))

    def _ys(self) -> Iterator[float | None]:
        for curve in self.curves:
            for values in (curve.y, curve.low, curve.high):
                yield from values or ()
        yield from (level.y for level in self.levels)

    @property
    def spec(self) -> dict[str, Any]:
        """What a script needs to draw it."""
        return {
            "xName": self.x_name,
            "yName": self.y_name,
            "x": [_short(value) for value in self.x],
            "xSpan": list(self.x_span),
            "ySpan": list(self.y_span),
            "xTicks": [[tick, tick_text(tick)] for tick in self.x_span.ticks()],
            "yTicks": [[tick, tick_text(tick)] for tick in self.y_span.ticks()],
            "curves": [
                {
                    "name": curve.name,
                    "style": curve.style,
                    "y": _shorts(curve.y),
                    "low": _shorts(curve.low),
                    "high": _shorts(curve.high),
                    "label": curve.end_label,
                }
                for curve in self.curves
            ],
            "levels": [list(level) for level in self.levels],
            "peaks": [list(peak) for peak in self.peaks],
            "at": self.at_x,
        }


def tick_text(value: float) -> str:
    """As short as it goes: small powers of ten as such, a true minus."""
    if 0 < abs(value) < SMALLEST_PLAIN:
        factor, power = f"{value:e}".split("e")
        exponent = str(int(power)).translate(_SUPERSCRIPTS)
        told = "" if float(factor) == 1 else f"{float(factor):g}·"
        return f"{told}10{exponent}"
    return f"{value:g}".replace("-", "−")


def _short(value: float | None) -> float | None:
    """To six digits, more than any screen shows."""
    return None if value is None else float(f"{value:.6g}")


def _shorts(values: Values | None) -> list[float | None] | None:
    """None where there is nothing but gaps."""
    if values is None or all(value is None for value in values):
        return None
    return [_short(value) for value in values]


def _span(values: Sequence[float | None], is_log: bool, margin: float) -> Span:
    known = [value for value in values if value is not None and isfinite(value)]
    if is_log:
        known = [value for value in known if value > 0]
        known = [value for value in known if value >= max(known) * LOG_DEPTH]
    if not known:
        return Span(0.1, 1.0, is_log)
    low, high = min(known), max(known)
    if is_log:
        more = (high / low) ** margin if high > low else 2.0
        return Span(low / more, high * more, True)
    more = margin * (high - low) if high > low else max(abs(high), 1.0) * 0.5
    return Span(low - more, high + more, False)


def _ticks(low: float, high: float) -> list[float]:
    raw = (high - low) / ABOUT_TICKS
    power = 10.0 ** floor(log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-9))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [float(f"{i * step:.12g}") for i in range(first, last + 1)]


def _log_ticks(low: float, high: float) -> list[float]:
    decades = log10(high / low)
    steps = (1, 2, 5) if decades <= DECADES_WITH_FIVES else (1,)
    every = max(1, ceil(decades / ABOUT_TICKS))
    powers = range(floor(log10(low)), ceil(log10(high)) + 1)
    found = [float(f"{m}e{p}") for p in powers if p % every == 0 for m in steps]
    return [value for value in found if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]
