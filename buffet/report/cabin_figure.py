"""Levels of the cabin's pressure: bars of one-third octaves, overall and G-weighted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from buffet.cabin.part import CabinLevels, LevelSpectrum
from buffet.interval import Interval
from buffet.report.look import FAINT, INK, MARKED, new_figure, shortened, write_key
from buffet.run_spectra import RunResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL_IN = 2.5
MOST_PANELS = 8
LABELLED = 3  # every third band: an octave apart
GAP = 1.5  # between the bands and the levels of all, in bars
DEEPEST_DB = 60.0  # below the highest level: less is not drawn
KEY = (
    "bars: one-third octaves (IEC 61260-1) with 95 % intervals, dB re 20 µPa; all: overall in the "
    "usable band; G: G-weighted (ISO 7196), open where that band does not hold 1 to 20 Hz; road: "
    "the full-size car's, tunnel: as measured"
)


def figure(parts: Sequence[tuple[RunResult, CabinLevels]]) -> Figure:
    """A panel a run and channel, of the road where a road speed is given."""
    every = [
        (_title(result, found, one.name, one.road is not None), one.road or one.measured)
        for result, found in parts
        for one in found.channels
    ]
    shown = every[:MOST_PANELS]
    drawn = new_figure(PANEL_IN * len(shown) + 0.55)
    panels = drawn.subplots(len(shown), 1, squeeze=False)[:, 0]
    for axes, (title, levels) in zip(panels, shown, strict=True):
        axes.set_title(title)
        _panel(axes, levels)
    write_key(drawn, KEY, len(every) - len(shown))
    return drawn


def _title(result: RunResult, found: CabinLevels, name: str, on_road: bool) -> str:
    title = f"run {result.analysis.run.number}, {shortened(name)}"
    if not on_road or found.road_speed_m_s is None:
        return f"{title}, tunnel"
    return f"{title}, road at {found.road_speed_m_s * 3.6:.0f} km/h" + (
        "; not as on the road" if found.unlike else ""
    )


def _panel(axes: Axes, levels: LevelSpectrum) -> None:
    known = [level.value for _, level in levels.bands if level is not None]
    totals = [level for level in (levels.overall, levels.g_weighted) if level is not None]
    known += [level.value for level in totals]
    top = max(known, default=0.0)
    bottom = max(10 * np.floor((max(min(known, default=0.0), top - DEEPEST_DB) - 5) / 10), 0.0)
    for band, level in levels.bands:
        if level is not None:
            _bar(axes, band.number, level, bottom, color=FAINT, edgecolor=INK, linewidth=0.6)
    last = max((band.number for band, _ in levels.bands), default=0)
    places = {"all": last + GAP, "G": last + GAP + 1}
    if levels.overall is not None:
        _bar(axes, places["all"], levels.overall, bottom, color=INK)
    if levels.g_weighted is not None:
        look = {"color": MARKED} if levels.g_is_whole else {"color": "white", "hatch": "////"}
        _bar(axes, places["G"], levels.g_weighted, bottom, edgecolor=MARKED, **look)
    labelled = [band for band, _ in levels.bands if band.number % LABELLED == 0]
    axes.set_xticks(
        [*(band.number for band in labelled), *places.values()],
        [*(band.label for band in labelled), *places],
    )
    axes.grid(False, axis="x")
    axes.set_ylim(bottom, 5 * np.ceil((top + 5) / 5))
    axes.set_xlabel("nominal mid-band frequency, Hz")
    axes.set_ylabel("level, dB")


def _bar(axes: Axes, place: float, level: Interval, bottom: float, **look: Any) -> None:
    axes.bar([place], [max(level.value - bottom, 0.0)], 0.82, bottom=bottom, **look)
    ends = [level.value if end is None else end for end in (level.low, level.high)]
    axes.plot([place, place], np.maximum(ends, bottom), color=INK, linewidth=1.0)
