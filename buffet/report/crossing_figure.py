"""Crossing diagrams: the wake's peaks and the car's modes over road speed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buffet.crossings.meeting import Crossing
from buffet.crossings.modes import ModeCurve
from buffet.crossings.rays import Ray
from buffet.rating.crossing_shade import SEAT, family_band_hz, seat_per_coefficient
from buffet.rating.motions import Family
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.report.look import (
    FAINT,
    INK,
    MARKED,
    Style,
    frame_all,
    new_figure,
    plain_numbers,
    shortened,
    spread,
    styles,
    write_key,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

PANEL_IN, ROOM_IN = 2.45, 1.25  # a row of panels; scale and key
MOST_ROWS = 8  # configurations
KM_H = 3.6
STRIP = 0.12  # of a panel's height, below, for the speeds of crossings
SPEED_GAP, NAME_GAP = 0.095, 0.075  # between labels, of a panel's width and height
FAR_RIGHT = 1.03  # of the axis: where names stand
NAMED_AT = 0.44  # of a ray's length
PLATE = {"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"}  # of a label
HATCH = "\\\\\\\\\\"  # across the rays
POINTS_PER_OCTAVE = 6  # of the shade
# Greys of the shade, light enough to draw on; each holds half a decade.
LIGHTEST, DARKEST = 0.96, 0.70
SHADES = 6
KEY = (
    "thick line, hatched: a peak of the wake and its half-power band; other lines: modes, each "
    "between two thin ones, its half-power band; circles: where both meet, with the road speed in "
    "km/h below; faded: outside the usable road band"
)


def crossing_figure(rating: Rating, shown: Sequence[ConfigurationRating] | None = None) -> Figure:
    """A row a configuration, a panel a family of forces; all configurations unless some are."""
    every = rating.configurations if shown is None else shown
    rows = every[:MOST_ROWS]
    families = families_shown(rows)
    figure = new_figure(PANEL_IN * len(rows) + ROOM_IN)
    panels = figure.subplots(len(rows), len(families), squeeze=False)
    shades = []
    for line, one in zip(panels, rows, strict=True):
        for axes, family in zip(line, families, strict=True):
            _panel(axes, one, family, rating.speed_m_s)
            shades.append((axes, _shade(axes, one, family)))
    levels = _levels([shade.value for _, shade in shades if shade is not None])
    for axes, shade in shades:
        if shade is not None:
            _draw_shade(axes, shade, levels)
    _scale(figure, panels, families, levels)
    write_key(figure, KEY, len(every) - len(rows), "configurations")
    return figure


def families_shown(rows: Sequence[ConfigurationRating]) -> tuple[Family, ...]:
    """Those of which any configuration has a peak; vertical where none has."""
    seen = {ray.family for one in rows for ray in one.crossings.rays}
    return tuple(family for family in SEAT if family in seen) or ("vertical",)


def _panel(axes: Axes, one: ConfigurationRating, family: Family, rated_m_s: float) -> None:
    rays = [ray for ray in one.crossings.rays if ray.family == family]
    modes = [mode for mode in one.crossings.modes if family in mode.families]
    looks = styles([mode.name for mode in modes])
    axes.set_title(f"{shortened(one.name)}, {family}")
    _frame(axes, one, rays, modes)
    for mode in modes:
        _draw_mode(axes, mode, looks[mode.name])
    for ray in rays:
        _draw_ray(axes, ray)
    _fade(axes, one, family)
    _draw_crossings(axes, [met for met in one.crossings.met if met.ray in rays])
    _label_ends(axes, modes, looks)
    if not rays:
        axes.annotate("no peak was followed", (0.03, 0.9), xycoords="axes fraction", fontsize=7.5)
    rated = rated_m_s * KM_H
    axes.axvline(rated, color=MARKED, linewidth=1.0, linestyle=(0, (1, 1.5)), zorder=4)
    axes.annotate(
        f"{rated:.0f} km/h",
        (rated, 1),
        (-3, -3),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        ha="right",
        va="top",
        color=MARKED,
        fontsize=7,
        bbox=PLATE,
        zorder=4.5,
    )


def _frame(
    axes: Axes, one: ConfigurationRating, rays: Sequence[Ray], modes: Sequence[ModeCurve]
) -> None:
    """Axes that hold the peaks at every speed, and the modes but for what lies far above."""
    low_m_s, high_m_s = one.crossings.searched_m_s
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(low_m_s * KM_H, max(high_m_s, 1.01 * low_m_s) * KM_H)
    lows = [float(np.nanmin(mode.band_hz[0])) for mode in modes]
    highs = [float(np.nanmax(mode.band_hz[1])) for mode in modes]
    lows += [ray.hz(ray.band[0], low_m_s) for ray in rays]
    highs += [ray.hz(ray.band[1], high_m_s) for ray in rays]
    bottom, top = min(lows, default=0.5) / 1.05, max(highs, default=20.0) * 1.15
    bottom = max(bottom, top / 100)
    axes.set_ylim(bottom * (bottom / top) ** (STRIP / (1 - STRIP)), top)
    axes.set_xlabel("road speed, km/h")
    axes.set_ylabel("frequency, Hz")
    plain_numbers(axes.xaxis)
    plain_numbers(axes.yaxis)
    frame_all(axes)
    axes.grid(False, which="both")


def _draw_mode(axes: Axes, mode: ModeCurve, look: Style) -> None:
    """The frequency and, thinner, the edges of the band; two points where it is level."""
    level = np.ptp(mode.frequency_hz) == np.ptp(mode.damping) == 0
    step = len(mode.speeds_m_s) - 1 if level else 1
    speeds = mode.speeds_m_s * KM_H
    for values, width in zip((mode.frequency_hz, *mode.band_hz), (1.4, 0.6, 0.6), strict=True):
        axes.plot(
            speeds[:: step or 1],
            values[:: step or 1],
            color=look.colour,
            linewidth=width,
            linestyle=look.line,
            zorder=2.5,
        )


def _draw_ray(axes: Axes, ray: Ray) -> None:
    """Straight on both logarithmic axes."""
    speeds = np.array(axes.get_xlim())
    low, middle, high = (
        np.array([ray.hz(strouhal, speed / KM_H) for speed in speeds])
        for strouhal in (ray.band[0], ray.strouhal.value, ray.band[1])
    )
    axes.fill_between(
        speeds, low, high, facecolor="none", edgecolor=INK, hatch=HATCH, linewidth=0.3, zorder=2.6
    )
    axes.plot(speeds, middle, color=INK, linewidth=2.0, zorder=3)
    at = speeds[0] ** (1 - NAMED_AT) * speeds[1] ** NAMED_AT
    height = 1.03 * ray.hz(ray.band[1], at / KM_H)
    axes.text(
        at,
        height,
        f"St {ray.strouhal.value:.3f}, {ray.component}",
        rotation=float(np.degrees(np.arctan2(height, at))),
        rotation_mode="anchor",
        transform_rotates_text=True,
        ha="center",
        va="bottom",
        fontsize=6.5,
    )


def _fade(axes: Axes, one: ConfigurationRating, family: Family) -> None:
    """What no run lets through."""
    band = family_band_hz(one.curves, family)
    if band is None:
        return
    speeds = one.curves.setting.speeds_m_s * KM_H
    bottom, top = axes.get_ylim()
    low, high = (np.clip(edge, bottom, top) for edge in band)
    for outside in ((np.full(len(low), bottom), low), (high, np.full(len(high), top))):
        axes.fill_between(speeds, *outside, color="white", alpha=0.7, linewidth=0, zorder=2.7)
    for edge in (low, high):
        inside = np.where((edge > bottom) & (edge < top), edge, np.nan)
        axes.plot(speeds, inside, color=FAINT, linewidth=0.9, linestyle="-.", zorder=2.8)


def _draw_crossings(axes: Axes, met: Sequence[Crossing]) -> None:
    """Circles, and the road speeds in a strip below, moved apart where they would touch."""
    known = [(one.speed_m_s.value * KM_H, one) for one in met if one.speed_m_s is not None]
    low, high = np.log(axes.get_xlim())
    gap = SPEED_GAP * (high - low)
    logs = [float(np.log(speed)) for speed, _ in known]
    places = spread(logs, gap, low + gap / 2, high - gap / 2)
    for (speed, one), place in zip(known, places, strict=True):
        axes.plot(
            [speed],
            [one.mode_frequency_hz],
            marker="o",
            color=INK,
            markersize=5,
            markerfacecolor="white",
            zorder=5,
        )
        axes.annotate(
            f"{speed:.0f}",
            (speed, one.mode_frequency_hz),
            (float(np.exp(place)), STRIP / 3),
            textcoords=("data", "axes fraction"),
            ha="center",
            va="center",
            fontsize=7,
            bbox=PLATE,
            arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.5, "shrinkB": 3},
            zorder=4.5,
        )


def _label_ends(axes: Axes, modes: Sequence[ModeCurve], looks: dict[str, Style]) -> None:
    """Names at the right, moved apart; of a mode that leaves off before, at its end."""
    ends = []
    for mode in modes:
        last = int(np.flatnonzero(np.isfinite(mode.frequency_hz))[-1])
        height = float(mode.frequency_hz[last])
        if last == len(mode.speeds_m_s) - 1:
            ends.append((shortened(mode.name, 18), height, looks[mode.name].colour))
        else:
            place = float(mode.speeds_m_s[last]) * KM_H, 1.04 * height
            axes.text(*place, shortened(mode.name, 18), ha="right", va="bottom", fontsize=7)
    low, high = np.log(axes.get_ylim())
    gap = NAME_GAP * (high - low)
    places = spread([float(np.log(y)) for _, y, _ in ends], gap, low + gap / 2, high - gap / 2)
    for (text, y, colour), place_y in zip(ends, places, strict=True):
        axes.annotate(
            text,
            (1, y),
            (FAR_RIGHT, float(np.exp(place_y))),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=7,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.8, "shrinkA": 1},
        )


class _Shade(NamedTuple):
    """The seat's answer over a panel."""

    speeds_m_s: Array  # (n_speeds,)
    frequency_hz: Array  # (n,)
    value: Array  # (n_speeds, n)


def _shade(axes: Axes, one: ConfigurationRating, family: Family) -> _Shade | None:
    """As fine as a contour needs; None where the car's data do not give it."""
    setting = one.curves.setting
    bottom, top = axes.get_ylim()
    n = int(np.ceil(np.log2(top / bottom) * POINTS_PER_OCTAVE)) + 1
    grid = np.geomspace(bottom, top, n)
    value = seat_per_coefficient(setting, family, grid)
    if value is None or len(setting.speeds_m_s) < 2:
        return None
    return _Shade(setting.speeds_m_s, grid, value)


def _levels(values: Sequence[Array]) -> Array:
    """1, 3 and 10 times powers of ten up to the largest."""
    top = max((float(np.nanmax(value)) for value in values if np.isfinite(value).any()), default=1)
    steps = np.array([(1.0, 3.0)[k % 2] * 10.0 ** (k // 2) for k in range(-24, 25)])
    return steps[steps < top][-SHADES:]


def _draw_shade(axes: Axes, shade: _Shade, levels: Array) -> None:
    axes.contourf(
        shade.speeds_m_s * KM_H,
        shade.frequency_hz,
        shade.value.T,
        levels=[0.0, *levels, np.inf],
        colors=_greys(len(levels)),
        zorder=0.5,
    )


def _greys(n: int) -> list[str]:
    return ["white", *(f"{grey:.3f}" for grey in np.linspace(LIGHTEST, DARKEST, n))]


def _scale(figure: Figure, panels: Array, families: Sequence[Family], levels: Array) -> None:
    """What the shade means."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import BoundaryNorm, ListedColormap

    greys = _greys(len(levels))
    colours = ListedColormap(greys[:-1]).with_extremes(over=greys[-1])
    edges = [levels[0] / 3, *levels]
    mappable = ScalarMappable(BoundaryNorm(edges, len(edges) - 1), colours)
    bar = figure.colorbar(
        mappable, ax=panels, location="bottom", extend="max", aspect=60, shrink=0.7, pad=0.02
    )
    bar.set_ticks(list(levels), labels=[f"{level:g}" for level in levels])
    of = " or ".join(SEAT[family][1] for family in families)
    bar.set_label(f"shade: weighted seat acceleration, m/s² per unit of {of} coefficient")
    bar.ax.tick_params(labelsize=7.5)
