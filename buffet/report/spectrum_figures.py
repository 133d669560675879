"""Spectra: configurations over one another, and one run with its limits and peaks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buffet.crossings.modes import families_of, resonates
from buffet.rating.rate import Rating
from buffet.report.look import (
    FAINT,
    INK,
    Style,
    frame_all,
    new_figure,
    plain_numbers,
    powers_of_ten,
    shortened,
    spread,
    write_key,
)
from buffet.report.pooling import PooledSpectrum
from buffet.report.upright import Mark, mark_upright
from buffet.run_spectra import QuantityResult, RunResult
from buffet.spectral.peaks import Peak
from ingest import FORCES, MOMENTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

OVERLAY_IN = 3.1
PANEL_IN = 2.6
COLUMNS = 2
MOST_PANELS = 24  # three pages; more cannot be read
# Where the car and the people in it respond: the band of the criteria in one view.
ROAD_VIEW_HZ = (0.5, 40.0)
# Of spectrum below the highest point: enough for peaks beside one another, or for the noise too.
OVERLAY_DECADES, RUN_DECADES = 4.0, 6.0
LABEL_SHARE = 0.46  # of a panel's height, for the upright labels of peaks
LABEL_GAP = 0.075  # of a panel's width
PEAK_MARKS = {"broad": "o", "harmonic": "s", "line": "D"}
MARK_NAMES = {"broad": "circle", "harmonic": "square", "line": "diamond"}
VERTICAL = ("lift", "front lift", "rear lift", "pitch moment")


def overlay_figure(
    rating: Rating, component: str, spectra: Sequence[PooledSpectrum], styles: dict[str, Style]
) -> Figure:
    """One component of all configurations: over Strouhal number, and in road hertz."""
    from matplotlib.gridspec import GridSpec

    rows = int(np.ceil(len(spectra) / 4))
    figure = new_figure(OVERLAY_IN + 0.18 * rows)
    grid = GridSpec(1, 2, figure)
    left, right = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
    whole = rating.full_scale
    load_n = float(whole.dynamic_pressure_pa(rating.speed_m_s)) * whole.area_m2
    if component in MOMENTS:
        load_n *= whole.wheelbase_m
    hz_per_strouhal = rating.speed_m_s / whole.strouhal_length_m
    for spectrum in spectra:
        look = _line(styles[spectrum.configuration])
        name = shortened(spectrum.configuration)
        left.plot(spectrum.strouhal, spectrum.psd, label=name, **look)
        road_psd = spectrum.psd * load_n**2 / hz_per_strouhal
        right.plot(spectrum.strouhal * hz_per_strouhal, road_psd, **look)
    unit = "N m" if component in MOMENTS else "N"
    _loglog(
        left,
        f"{component}, over Strouhal number",
        "St = f L / U",
        "S U / L, coefficient²",
        OVERLAY_DECADES,
    )
    _loglog(
        right,
        f"{component}, at {rating.speed_m_s * 3.6:.0f} km/h",
        "frequency, Hz",
        f"S, ({unit})²/Hz" if " " in unit else f"S, {unit}²/Hz",
        OVERLAY_DECADES,
    )
    _road_view(right)
    if component in VERTICAL:
        _mark_modes(right, rating)
    figure.legend(loc="outside upper center", ncols=4, handlelength=3.2)
    return figure


def _line(style: Style) -> dict[str, Any]:
    return {"color": style.colour, "linestyle": style.line, "linewidth": 1.3}


def _loglog(axes: Axes, title: str, x_label: str, y_label: str, decades: float) -> None:
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_title(title)
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    values = np.concatenate([np.asarray(line.get_ydata(), float) for line in axes.lines])
    known = values[np.isfinite(values) & (values > 0)]
    if len(known):
        top = float(known.max())
        axes.set_ylim(max(float(known.min()), top * 10**-decades) / 1.5, top * 2)
    plain_numbers(axes.xaxis)
    powers_of_ten(axes.yaxis)
    frame_all(axes)


def _road_view(axes: Axes) -> None:
    low, high = axes.get_xlim()
    axes.set_xlim(max(low, ROAD_VIEW_HZ[0]), max(min(high, ROAD_VIEW_HZ[1]), ROAD_VIEW_HZ[0] * 4))
    plain_numbers(axes.xaxis)


def _mark_modes(axes: Axes, rating: Rating) -> None:
    """The car's natural frequencies, up and down, along the top, in room made for them."""
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, top * (top / bottom) ** 0.45)
    modes = rating.configurations[0].curves.setting.car.modes(rating.speed_m_s)
    pushed = [mode for mode in modes if resonates(mode) and "vertical" in families_of(mode)]
    low, high = axes.get_xlim()
    seen = [mode for mode in pushed if low < mode.natural_frequency_hz < high]
    logs = [float(np.log(m.natural_frequency_hz)) for m in seen]
    gap = 0.055 * float(np.log(high / low))
    places = spread(logs, gap, float(np.log(low)) + gap / 2, float(np.log(high)) - gap / 2)
    for mode, place in zip(seen, places, strict=True):
        axes.axvline(mode.natural_frequency_hz, 0.95, 1, color=INK, linewidth=1.0)
        axes.annotate(
            mode.name,
            (float(np.exp(place)), 0.94),
            xycoords=("data", "axes fraction"),
            rotation=90,
            ha="center",
            va="top",
            fontsize=6.5,
        )


def run_figure(results: Sequence[RunResult]) -> Figure:
    """PSD of every quantity of one run, or of a few: χ² limits, wind-off noise and peaks."""
    wanted = [(result, quantity) for result in results for quantity in _forces_first(result)]
    shown = wanted[:MOST_PANELS]
    rows = int(np.ceil(len(shown) / COLUMNS))
    figure = new_figure(PANEL_IN * max(rows, 1) + 0.35)
    panels = figure.subplots(max(rows, 1), COLUMNS, squeeze=False).ravel()
    for axes, (result, quantity) in zip(panels, shown, strict=False):
        run_panel(axes, result, quantity)
    for axes in panels[len(shown) :]:
        axes.set_axis_off()
    key = _key([quantity for _, quantity in shown])
    write_key(figure, key, len(wanted) - len(shown), "spectra")
    return figure


def _key(drawn: Sequence[QuantityResult]) -> str:
    """What the lines and marks that are drawn mean."""
    parts = ["line: PSD", "band: 95 % limits (χ²)"]
    if any(quantity.noise_psd is not None for quantity in drawn):
        parts.append("dashed: wind-off noise")
    kinds = {peak.kind for quantity in drawn for peak in quantity.peaks}
    if kinds:
        marks = [f"{MARK_NAMES[kind]} {kind}" for kind in PEAK_MARKS if kind in kinds]
        parts.append(f"peaks: {', '.join(marks)}")
    return "; ".join(parts)


def _forces_first(result: RunResult) -> list[QuantityResult]:
    words = (*FORCES, *MOMENTS)
    return sorted(result.quantities, key=lambda q: q.quantity.measures not in words)


def run_panel(axes: Axes, result: RunResult, quantity: QuantityResult) -> None:
    """PSD of one quantity of a run with its limits, noise and peaks, on given axes."""
    frequency, psd = quantity.frequency_hz[1:], quantity.psd[1:]
    low, high = quantity.psd_factors
    if quantity.noise_psd is not None:
        axes.plot(frequency, quantity.noise_psd[1:], color=FAINT, linewidth=0.9, linestyle="--")
    axes.plot(frequency, psd, color=INK, linewidth=0.9)
    unit = quantity.quantity.unit
    run = result.analysis.run
    title = f"run {run.number}, {shortened(quantity.quantity.name)}"
    _loglog(axes, title, "frequency, Hz", f"PSD, {per_hertz(unit)}", RUN_DECADES)
    axes.fill_between(frequency, psd * low, psd * high, color=INK, alpha=0.18, linewidth=0)
    _mark_peaks(axes, quantity, result.strouhal_per_hz)


def per_hertz(unit: str) -> str:
    """Unit of a PSD."""
    if unit == "1":
        return "coefficient²/Hz"
    return f"({unit})²/Hz" if " " in unit or "/" in unit else f"{unit}²/Hz"


def _mark_peaks(axes: Axes, quantity: QuantityResult, strouhal_per_hz: float | None) -> None:
    """Frequency and Strouhal number upright above each peak, moved apart where they touch."""
    peaks = sorted(quantity.peaks, key=lambda peak: peak.frequency_hz.value)
    if not peaks:
        return
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, top * (top / bottom) ** (LABEL_SHARE / (1 - LABEL_SHARE)))
    mark_upright(axes, [_mark(quantity, peak, strouhal_per_hz) for peak in peaks], LABEL_GAP)


def _mark(quantity: QuantityResult, peak: Peak, strouhal_per_hz: float | None) -> Mark:
    value = peak.frequency_hz.value
    height = float(np.interp(value, quantity.frequency_hz, quantity.psd))
    text = f"{value:.3g} Hz"
    if strouhal_per_hz is not None:
        text += f", St {value * strouhal_per_hz:.3f}"
    return Mark(value, height, PEAK_MARKS[peak.kind], text)
