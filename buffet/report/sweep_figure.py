"""Peaks against wind speed with both hypotheses, and RMS against Reynolds number."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from buffet.interval import Interval
from buffet.report.look import (
    FAINT,
    INK,
    Style,
    frame_all,
    new_figure,
    plain_numbers,
    shortened,
    spread,
    styles,
)
from buffet.spectral.tracks import FIXED
from buffet.sweep.sweep import ConfigurationSweep, Sweep
from buffet.sweep.tracks import Track
from buffet.sweep.trend import Point, Trend

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL_IN, KEY_IN = 2.7, 0.5
COLUMNS = 2
MOST_PEAKS = 8  # panels, one a configuration: two pages
MOST_TRENDS = 6  # panels, one a quantity
ROOM = 1.28  # of the highest wind speed, for the labels at the right
LABEL_GAP = 0.07  # of a panel's height
MARKS = {False: "o", True: "D"}  # broad, line
KEY = (
    "circles: broad peaks, diamonds: lines, crosses: undecided; through each: what it keeps to "
    "(solid), St or\nfrequency, and what it does not (dashed). Below: every run with its 95 % "
    "interval, line through means"
)
# Of all that is measured, what is drawn first.
FIRST = ("lift", "rear lift", "drag", "side force", "front lift", "pitch moment", "yaw moment")


def sweep_figure(sweep: Sweep) -> Figure:
    """One panel a configuration with its peaks, then one a quantity with its RMS."""
    peaks = [one for one in sweep.configurations if one.tracks or one.undecided][:MOST_PEAKS]
    names = quantities(sweep)[:MOST_TRENDS]
    rows = [int(np.ceil(len(panels) / COLUMNS)) for panels in (peaks, names)]
    figure = new_figure(PANEL_IN * max(sum(rows), 1) + KEY_IN)
    panels = figure.subplots(max(sum(rows), 1), COLUMNS, squeeze=False)
    upper, lower = panels[: rows[0]].ravel(), panels[rows[0] :].ravel()
    for axes, one in zip(upper, peaks, strict=False):
        _peaks_panel(axes, one)
    looks = styles([label(one) for one in sweep.configurations])
    for axes, name in zip(lower, names, strict=False):
        _trend_panel(axes, sweep, name, looks)
    for axes in (*upper[len(peaks) :], *lower[len(names) :]):
        axes.set_axis_off()
    handles, labels = lower[0].get_legend_handles_labels() if names else ([], [])
    figure.legend(handles, labels, loc="outside lower center", ncols=4, handlelength=3.0)
    if peaks:
        figure.suptitle(KEY, fontsize=8)
    return figure


def peaks_figure(configurations: Sequence[ConfigurationSweep]) -> Figure:
    """Peaks over wind speed, one panel a configuration."""
    axes = _panels(len(configurations))
    for own, one in zip(axes, configurations, strict=False):
        _peaks_panel(own, one)
    return axes[0].figure  # type: ignore[return-value]


def trends_figure(sweep: Sweep) -> Figure:
    """RMS over Reynolds number, one panel a quantity."""
    names = quantities(sweep)[:MOST_TRENDS]
    axes = _panels(len(names))
    looks = styles([label(one) for one in sweep.configurations])
    for own, name in zip(axes, names, strict=False):
        _trend_panel(own, sweep, name, looks)
    keyed = axes[0].get_legend_handles_labels()
    figure = axes[0].figure
    figure.legend(*keyed, loc="outside lower center", ncols=4, handlelength=3.0)
    return figure  # type: ignore[return-value]


def _panels(count: int) -> list[Axes]:
    """As many as asked for, in two columns; what is over stays empty."""
    rows = max(-(-count // COLUMNS), 1)
    figure = new_figure(PANEL_IN * rows + KEY_IN)
    panels = list(figure.subplots(rows, COLUMNS, squeeze=False).ravel())
    for axes in panels[count:]:
        axes.set_axis_off()
    return panels


def label(one: ConfigurationSweep) -> str:
    """Name of a configuration, with its yaw angle where that is not zero."""
    return f"{one.configuration}, yaw {one.yaw_deg:.3g} deg" if one.yaw_rad else one.configuration


def _peaks_panel(axes: Axes, one: ConfigurationSweep) -> None:
    """Solid: the hypothesis that the peaks keep to; dashed: the other one."""
    top = max(one.speeds_m_s) * ROOM
    axes.set_xlim(0, top)
    axes.set_title(shortened(label(one)))
    axes.set_xlabel("wind speed, m/s")
    axes.set_ylabel("frequency, Hz")
    for seen in one.undecided:
        axes.plot(seen.speed_m_s, seen.peak.frequency_hz.value, "x", color=FAINT, markersize=4)
    ends: list[tuple[str, float]] = []
    for track in one.tracks:
        ends.append(_draw_track(axes, track, max(one.speeds_m_s)))
    highest = max([s.peak.frequency_hz.value for t in one.tracks for s in t.seen], default=1.0)
    axes.set_ylim(0, 1.3 * highest)
    _label_ends(axes, ends, max(one.speeds_m_s))
    frame_all(axes)


def _draw_track(axes: Axes, track: Track, top_m_s: float) -> tuple[str, float]:
    """Both hypotheses and the peaks; returns label and height at the right end."""
    is_fixed = track.name == FIXED
    per_speed = float(
        np.exp(np.mean([np.log(s.peak.frequency_hz.value / s.speed_m_s) for s in track.clearest]))
    )
    level = track.frequency_hz.value
    ends = np.array([0.0, top_m_s])
    solid: dict[str, Any] = {"color": INK, "linewidth": 1.2}
    dashed: dict[str, Any] = {"color": FAINT, "linewidth": 0.8, "linestyle": (0, (4, 3))}
    axes.plot(ends, per_speed * ends, **(dashed if is_fixed else solid))
    axes.plot(ends, [level, level], **(solid if is_fixed else dashed))
    for seen in track.clearest:
        hz = seen.peak.frequency_hz
        axes.errorbar(
            seen.speed_m_s,
            hz.value,
            yerr=[[hz.value - (hz.low or 0.0)], [(hz.high or hz.value) - hz.value]],
            fmt=MARKS[track.narrow],
            color=INK,
            markersize=4.5,
            markerfacecolor="white",
            linewidth=0.9,
        )
    if is_fixed or track.strouhal is None:
        return f"{level:.3g} Hz", level if is_fixed else per_speed * top_m_s
    return f"St {track.strouhal.value:.3f}", per_speed * top_m_s


def _label_ends(axes: Axes, ends: Sequence[tuple[str, float]], top_m_s: float) -> None:
    low, high = axes.get_ylim()
    gap = LABEL_GAP * (high - low)
    places = spread([height for _, height in ends], gap, low + gap / 2, high - gap / 2)
    for (text, height), place in zip(ends, places, strict=True):
        axes.annotate(
            text,
            (top_m_s, height),
            (top_m_s * 1.05, place),
            va="center",
            fontsize=7.5,
            arrowprops={"arrowstyle": "-", "color": FAINT, "linewidth": 0.6},
        )


def quantities(sweep: Sweep) -> list[str]:
    """Those with an RMS at several speeds, or at any where there are none."""
    every = [trend for one in sweep.configurations for trend in one.trends]
    several = [trend.quantity for trend in every if trend.per_doubling is not None]
    names = dict.fromkeys(several or [trend.quantity for trend in every])
    first = [name for name in FIRST if name in names]
    return [*first, *(name for name in names if name not in first)]


def _trend_panel(axes: Axes, sweep: Sweep, name: str, looks: dict[str, Style]) -> None:
    axes.set_title(f"RMS of {shortened(name)}{_end(sweep, name)}")
    axes.set_xlabel(_place_label(sweep))
    axes.set_yscale("log")
    for one in sweep.configurations:
        for trend in one.trends:
            if trend.quantity == name:
                _draw_trend(axes, trend, looks[label(one)], shortened(label(one)))
    plain_numbers(axes.yaxis)
    frame_all(axes)


def _end(sweep: Sweep, name: str) -> str:
    """Up to where it goes, the same in every configuration."""
    every = (t.strouhal for one in sweep.configurations for t in one.trends if t.quantity == name)
    strouhal = next(every)
    return "" if strouhal is None else f" up to St {strouhal:.3g}"


def _draw_trend(axes: Axes, trend: Trend, look: Style, label: str) -> None:
    """Every run with its interval, and a line through the means of each speed."""
    places = [_place(point) for point in trend.points]
    for place, point in zip(places, trend.points, strict=True):
        low, high = _limits(point.rms)
        axes.plot([place, place], [low, high], color=look.colour, linewidth=0.8)
    axes.plot(
        places,
        [point.rms.value for point in trend.points],
        look.marker,
        color=look.colour,
        markersize=4,
        markerfacecolor="white",
    )
    speeds = sorted({round(point.speed_m_s) for point in trend.points})
    own = [[i for i, p in enumerate(trend.points) if round(p.speed_m_s) == s] for s in speeds]
    axes.plot(
        [float(np.mean([places[i] for i in group])) for group in own],
        [float(np.mean([trend.points[i].rms.value for i in group])) for group in own],
        color=look.colour,
        linestyle=look.line,
        linewidth=1.2,
        marker=look.marker,
        markersize=0,
        label=label,
    )


def _place(point: Point) -> float:
    return (point.reynolds or point.speed_m_s) / (1e6 if point.reynolds else 1.0)


def _place_label(sweep: Sweep) -> str:
    has_reynolds = any(one.reynolds for one in sweep.configurations)
    return "Reynolds number, millions" if has_reynolds else "wind speed, m/s"


def _limits(rms: Interval) -> tuple[float, float]:
    return rms.low or rms.value, rms.value if rms.high is None else rms.high
