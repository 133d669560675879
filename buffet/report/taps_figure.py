"""The taps of a run: modes over frequency, maps of coefficients and modes, delays along rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buffet.interval import NORMAL_HALF_WIDTH
from buffet.report.look import (
    FAINT,
    INK,
    frame_all,
    new_figure,
    plain_numbers,
    powers_of_ten,
    write_key,
)
from buffet.report.tap_maps import View, draw_map, views
from buffet.run_spectra import RunResult
from buffet.spectral.reduction import FIRST_BIN
from buffet.taps.convection import RowConvection
from buffet.taps.modes import TapModes
from buffet.taps.part import RunTaps

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

Array = NDArray[np.float64]

SPECTRA_IN, MAP_IN, ROW_IN = 2.4, 2.0, 2.2
KEY_IN = 0.5
MOST_RUNS = 2
MOST_ROWS = 4  # of taps
DRAWN_MODES = 2
DECADES = 6.0
SMALLEST_WITH_PHASE = 0.1  # of a mode's amplitude, over the largest tap's
MODE_LINES: tuple[tuple[float, Any], ...] = (
    (1.3, "-"),
    (1.0, (0, (5, 2))),
    (0.9, (0, (1, 1.5))),
)


@dataclass(frozen=True)
class _Map:
    """One row of maps: a value a tap."""

    title: str
    values: Array
    labels: tuple[str, ...]
    phases: Array | None = None


def figure(parts: Sequence[tuple[RunResult, RunTaps]]) -> Figure:
    """Each run's panels under one another; no more runs than a reader can compare."""
    shown = [taps for _, taps in parts[:MOST_RUNS]]
    heights = [_height_in(taps) for taps in shown]
    drawn = new_figure(sum(heights) + KEY_IN)
    blocks = drawn.subfigures(len(shown), 1, squeeze=False, height_ratios=heights)[:, 0]
    for block, taps in zip(blocks, shown, strict=True):
        _run(block, taps, len(shown) > 1)
    write_key(drawn, _key(shown), len(parts) - len(shown), "runs")
    return drawn


def _key(shown: Sequence[RunTaps]) -> str:
    parts = []
    if any(taps.modes for taps in shown):
        parts.append(
            "above: eigenvalues of the taps' cross-spectral matrix (full, dashed, dotted: modes 1 "
            "to 3), grey: all taps together; bars: modes in space with 95 % intervals"
        )
    if any(_maps(taps) for taps in shown):
        parts.append(
            "maps: area of a mark is the size of its value, open where negative; grey lines: equal "
            "values between taps (dashed: negative), hull of the taps; hand: phase, rightwards 0, "
            "upwards a quarter of a period ahead"
        )
    if any(_rows(taps) for taps in shown):
        parts.append("delays: each pair of taps with 95 % limits; line: one convection speed")
    return "; ".join(parts)


def _rows(taps: RunTaps) -> list[RowConvection]:
    """Rows along which something travels."""
    return [row for row in taps.rows if isinstance(row, RowConvection) and row.pairs][:MOST_ROWS]


def _height_in(taps: RunTaps) -> float:
    rows = -(-len(_rows(taps)) // 2)
    maps = _map_rows(taps)
    return (SPECTRA_IN if taps.modes else 0.0) + MAP_IN * len(maps) + ROW_IN * rows or ROW_IN


def _run(block: SubFigure, taps: RunTaps, named: bool) -> None:
    if named:
        block.suptitle(f"run {taps.run}", x=0.01, ha="left", fontsize=9)
    bands: list[tuple[float, list[object]]] = []
    maps, rows = _map_rows(taps), _rows(taps)
    if taps.modes:
        bands.append((SPECTRA_IN, [taps.modes]))
    bands += [(MAP_IN, list(row)) for row in maps]
    bands += [(ROW_IN, list(rows[i : i + 2])) for i in range(0, len(rows), 2)]
    if not bands:
        return
    heights = [height for height, _ in bands]
    strips = block.subfigures(len(bands), 1, squeeze=False, height_ratios=heights)[:, 0]
    for strip, (_, content) in zip(strips, bands, strict=True):
        _strip(strip, content, taps)


def _strip(strip: SubFigure, content: Sequence[object], taps: RunTaps) -> None:
    """One line of panels."""
    if isinstance(content[0], TapModes):
        left, right = strip.subplots(1, 2, width_ratios=(1.7, 1.0))
        _spectra(left, content[0])
        _shares(right, content[0])
        return
    panels = strip.subplots(1, 2, squeeze=False)[0]
    for axes in panels[len(content) :]:
        axes.set_axis_off()
    for axes, one in zip(panels, content, strict=False):
        if isinstance(one, RowConvection):
            _delays(axes, one)
        else:
            _one_map(axes, one)  # type: ignore[arg-type]


def _spectra(axes: Axes, modes: TapModes) -> None:
    frequency = modes.spectral.frequency_hz[FIRST_BIN:]
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.plot(frequency, modes.spectral.total[FIRST_BIN:], color=FAINT, linewidth=1.0)
    for density, (width, line) in zip(modes.spectral.density, MODE_LINES, strict=False):
        axes.plot(frequency, density[FIRST_BIN:], color=INK, linewidth=width, linestyle=line)
    top = float(modes.spectral.total[FIRST_BIN:].max())
    low = max(float(axes.get_ylim()[0]), top / 10**DECADES)
    axes.set_ylim(low, 2 * top)
    axes.set_title("spectral modes")
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel("sum of the taps' PSDs")
    frame_all(axes)
    plain_numbers(axes.xaxis)
    powers_of_ten(axes.yaxis)


def _shares(axes: Axes, modes: TapModes) -> None:
    shares = modes.shares[:6]
    places = np.arange(1, len(shares) + 1)
    values = [share.value for share in shares]
    axes.bar(places, values, 0.7, facecolor="white", edgecolor=INK, hatch="////", linewidth=0.9)
    for place, share in zip(places, shares, strict=True):
        ends = np.array([share.low, share.high], float)
        axes.plot([place, place], ends, color=INK, linewidth=1.4, marker="_")
    axes.set_xticks(places)
    axes.set_ylim(bottom=0)
    axes.set_title("modes in space")
    axes.set_xlabel("mode")
    axes.set_ylabel("share of variance")
    axes.grid(False, axis="x")


def _maps(taps: RunTaps) -> list[_Map]:
    """Of the taps with a place; empty where there are fewer than two."""
    placed = [i for i, one in enumerate(taps.values) if one.at_m is not None]
    if len(placed) < 2:
        return []
    mean = np.array([taps.values[i].mean.value for i in placed])
    rms = np.array([one.rms.value if (one := taps.values[i]).rms else 0.0 for i in placed])
    found = [_map("mean", mean), _map("RMS", rms)]
    if taps.modes is not None:
        for k in range(min(DRAWN_MODES, len(taps.modes.shares))):
            shape = taps.modes.space.shape[placed, k]
            share = 100 * taps.modes.shares[k].value
            found.append(_map(f"mode {k + 1}, {share:.0f} %", shape, ".2f"))
        if taps.modes.peaks:
            peak = taps.modes.peaks[0]
            title = f"at {peak.frequency_hz:.3g} Hz, {100 * peak.share:.0f} %"
            found.append(_turning(title, peak.shape[placed]))
    return found


def _map(title: str, values: Array, form: str = ".3f") -> _Map:
    return _Map(title, values, tuple(format(value, f"z{form}") for value in values.tolist()))


def _turning(title: str, shape: NDArray[np.complex128]) -> _Map:
    """Amplitudes with phases, where the amplitude is large enough for one to mean anything."""
    size, phase = np.abs(shape), np.angle(shape)
    phase = np.where(size >= SMALLEST_WITH_PHASE, phase, np.nan)
    labels = tuple(
        f"{a:.2f}" + ("" if np.isnan(p) else f" {np.degrees(p):+z.0f}°")
        for a, p in zip(size.tolist(), phase.tolist(), strict=True)
    )
    return _Map(title, size, labels, phase)


def _map_rows(taps: RunTaps) -> list[list[tuple[_Map, View]]]:
    """Two views of one map a line, or two maps where there is one view."""
    maps = _maps(taps)
    if not maps:
        return []
    at = np.array([one.at_m for one in taps.values if one.at_m is not None])
    seen = views(at)
    panels = [(one, view) for one in maps for view in seen]
    return [panels[i : i + 2] for i in range(0, len(panels), 2)]


def _one_map(axes: Axes, panel: tuple[_Map, View]) -> None:
    one, view = panel
    largest = float(np.abs(one.values).max())
    draw_map(axes, view, one.values, one.labels, largest, one.phases)
    axes.set_title(f"{one.title}, {view.title}")


def _delays(axes: Axes, row: RowConvection) -> None:
    """Delay over distance of every pair, and the line of one speed."""
    speed = row.travel.speed_m_s
    assert speed is not None
    distance = np.array([pair.distance_m for pair in row.pairs])
    delay = 1e3 * np.array([pair.delay_s for pair in row.pairs])
    half = 1e3 * NORMAL_HALF_WIDTH * np.array([pair.deviation_s for pair in row.pairs])
    ends = np.array([0.0, float(distance.max())])
    axes.plot(ends, 1e3 * ends / speed.value, color=INK, linewidth=1.0)
    axes.errorbar(
        distance,
        delay,
        half,
        linestyle="none",
        marker="o",
        markersize=3.5,
        color=INK,
        markerfacecolor="white",
        elinewidth=0.8,
    )
    axes.set_title(f"row {row.name}: {speed.value:.3g} m/s")
    axes.set_xlabel(f"distance {row.direction}, m")
    axes.set_ylabel("delay, ms")
