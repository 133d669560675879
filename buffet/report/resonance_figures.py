"""Decays and wind-off spectra with the resonances fitted to them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from buffet.report.look import (
    FAINT,
    INK,
    MARKED,
    frame_all,
    new_figure,
    plain_numbers,
    powers_of_ten,
    shortened,
    write_key,
)
from buffet.report.spectrum_figures import per_hertz
from buffet.resonance.result import (
    ChannelResonance,
    DecayDrawing,
    RunResonance,
    SpectrumDrawing,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL_IN = 2.2
MOST_ROWS = 12  # three pages; more cannot be read
# Around the strongest mode, in multiples of its frequency.
VIEW = (0.3, 3.0)
DECADES = 6.0
KEY = {
    "tap": "tap test: line as logged, without its drift; dots: fit; dashed: envelope of the mode",
    "wind-off": "without wind: line PSD; thick: the fitted resonances alone",
}


def resonance_figure(runs: Sequence[RunResonance]) -> Figure:
    """One row a channel: its largest decay and the decay's spectrum, or the record's spectrum."""
    drawn = [(run, one) for run in runs for one in run.channels if one.drawing is not None]
    shown = drawn[:MOST_ROWS]
    figure = new_figure(PANEL_IN * max(len(shown), 1) + 0.35)
    panels = figure.subplots(max(len(shown), 1), 2, squeeze=False)
    for (left, right), (run, one) in zip(panels, shown, strict=False):
        if isinstance(one.drawing, DecayDrawing):
            _decay_panel(left, run, one, one.drawing)
            _decay_spectrum(right, one, one.drawing)
        elif isinstance(one.drawing, SpectrumDrawing):
            _psd_panel(left, run, one, one.drawing, near=False)
            _psd_panel(right, run, one, one.drawing, near=True)
    if not shown:
        for axes in panels.ravel():
            axes.set_axis_off()
    kinds = dict.fromkeys(run.kind for run, _ in shown)
    key = "; ".join(KEY[kind] for kind in kinds) or "no channel could be drawn"
    write_key(figure, key, len(drawn) - len(shown), "channels")
    return figure


def _decay_panel(axes: Axes, run: RunResonance, one: ChannelResonance, drawn: DecayDrawing) -> None:
    axes.plot(drawn.time_s, drawn.samples, color=INK, linewidth=0.8)
    axes.plot(drawn.time_s, drawn.fitted, ".", color=MARKED, markersize=1.6)
    for sign in (1, -1):
        axes.plot(drawn.time_s, sign * drawn.envelope, color=FAINT, linestyle="--", linewidth=0.9)
    name = shortened(one.channel.name, 18)
    axes.set_title(f"run {run.run.number}, {name}, {drawn.strike_s:.1f} s")
    axes.set_xlabel("time from the start of the fit, s")
    axes.set_ylabel(one.channel.unit)


def _decay_spectrum(axes: Axes, one: ChannelResonance, drawn: DecayDrawing) -> None:
    axes.plot(drawn.frequency_hz, drawn.amplitude, color=INK, linewidth=0.8)
    axes.plot(drawn.frequency_hz, drawn.fitted_amplitude, ".", color=MARKED, markersize=2.2)
    axes.set_title("its spectrum")
    _around_mode(axes, one, f"|X|, {one.channel.unit} s")


def _psd_panel(
    axes: Axes, run: RunResonance, one: ChannelResonance, drawn: SpectrumDrawing, *, near: bool
) -> None:
    axes.plot(drawn.frequency_hz, drawn.psd, color=INK, linewidth=0.7)
    if one.modes:
        axes.plot(drawn.frequency_hz, drawn.resonance, color=MARKED, linewidth=1.6)
    if not near:
        axes.set_title(f"run {run.run.number}, {shortened(one.channel.name, 18)}")
        axes.set_xscale("log")
    _around_mode(axes, one, f"PSD, {per_hertz(one.channel.unit)}", near=near)


def _around_mode(axes: Axes, one: ChannelResonance, label: str, *, near: bool = True) -> None:
    """A logarithmic scale, and the strongest mode in the middle with its values above it."""
    mode = one.strongest
    values = np.asarray(axes.lines[0].get_ydata(), float)
    frequency_hz = np.asarray(axes.lines[0].get_xdata(), float)
    axes.set_yscale("log")
    if near and mode is not None:
        natural_hz = mode.natural_frequency_hz.value
        low, high = VIEW[0] * natural_hz, min(VIEW[1] * natural_hz, frequency_hz[-1])
        inside = (frequency_hz >= low) & (frequency_hz <= high)
        axes.set_xlim(low, high)
        values = values[inside] if inside.any() else values
        axes.axvline(natural_hz, color=FAINT, linewidth=0.7, linestyle=":")
        text = f"{natural_hz:.4g} Hz, damping {mode.damping.value:.3g}"
        axes.set_title(text, loc="right", fontsize=7.5, fontweight="normal")
    top = float(values.max())
    axes.set_ylim(max(float(values[values > 0].min()), top * 10**-DECADES) / 1.5, top * 2)
    axes.set_xlabel("frequency, Hz")
    axes.set_ylabel(label)
    powers_of_ten(axes.yaxis)
    if not near:
        plain_numbers(axes.xaxis)
    frame_all(axes)
