"""What the car makes of the force: its frequency responses."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from buffet.cabin.open_cabin import OpenCabinFigures
from buffet.report.look import (
    FAINT,
    new_figure,
    over_frequency,
    plain_numbers,
    shortened,
    styles,
    write_key,
)
from buffet.report.open_cabin_panel import KEY, draw_open_cabin
from buffet.spectral.reduction import COMPONENTS
from buffet.vehicle import CarOutput, CarSummary

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL_IN = 2.35
DECADES = 3.0  # of a panel, below its highest value
REASON_CHARACTERS = 44  # of a line that stands in an empty panel


class _Curve(NamedTuple):
    output: CarOutput
    component: str
    label: str


class _Panel(NamedTuple):
    title: str
    unit: str
    factor: float  # of the SI response, for what the unit says
    curves: tuple[_Curve, ...]


_DEGREES = float(np.degrees(1.0))
_PANELS = (
    _Panel(
        "seat acceleration by forces",
        "m/s² per kN",
        1000,
        (
            _Curve("seat z", "lift", "vertical by lift"),
            _Curve("seat y", "side force", "lateral by side force"),
            _Curve("seat x", "drag", "along by drag"),
        ),
    ),
    _Panel(
        "seat acceleration by moments",
        "m/s² per kN m",
        1000,
        (
            _Curve("seat z", "pitch moment", "vertical by pitch"),
            _Curve("seat y", "yaw moment", "lateral by yaw"),
            _Curve("seat y", "roll moment", "lateral by roll"),
        ),
    ),
    _Panel(
        "yaw rate",
        "deg/s per kN or kN m",
        1000 * _DEGREES,
        (
            _Curve("yaw rate", "yaw moment", "by yaw moment"),
            _Curve("yaw rate", "side force", "by side force"),
        ),
    ),
    _Panel(
        "rear axle load",
        "N per N or N m",
        1,
        (
            _Curve("rear axle load", "lift", "by lift"),
            _Curve("rear axle load", "pitch moment", "by pitch moment"),
            _Curve("rear axle load", "drag", "by drag"),
        ),
    ),
    _Panel(
        "load of the rear right wheel",
        "N per N or N m",
        1,
        (
            _Curve("rear right wheel load", "roll moment", "by roll moment"),
            _Curve("rear right wheel load", "side force", "by side force"),
            _Curve("rear right wheel load", "lift", "by lift"),
        ),
    ),
    _Panel(
        "torque at the steering wheel",
        "N m per kN or kN m",
        1000,
        (
            _Curve("steering torque", "side force", "by side force"),
            _Curve("steering torque", "yaw moment", "by yaw moment"),
            _Curve("steering torque", "roll moment", "by roll moment"),
        ),
    ),
)


def car_figure(summary: CarSummary, cabin: OpenCabinFigures | None = None) -> Figure:
    """Six panels over frequency at one road speed, modes marked; one more of an open cabin."""
    rows = -(-len(_PANELS) // 2)
    every = rows + (cabin is not None)
    figure = new_figure(PANEL_IN * every + 0.55)
    grid = figure.add_gridspec(every, 2)
    for place, panel in enumerate(_PANELS):
        axes = figure.add_subplot(grid[place // 2, place % 2])
        axes.set_title(panel.title)
        _draw(axes, summary, panel)
    key = (
        f"{shortened(summary.vehicle.name, 60)} at {summary.speed_m_s * 3.6:.0f} km/h, wheel held "
        "fast; dotted upright lines: natural frequencies of the car"
    )
    if cabin is not None:
        draw_open_cabin(figure.add_subplot(grid[-1, :]), cabin)
        key += f"; {KEY}"
    write_key(figure, key)
    return figure


def _draw(axes: Axes, summary: CarSummary, panel: _Panel) -> None:
    looks = styles([curve.label for curve in panel.curves])
    highest, why = 0.0, ""
    for curve in panel.curves:
        found = summary.responses[curve.output]
        gain = (
            np.zeros(len(summary.frequency_hz))
            if found.rows is None
            else panel.factor * np.abs(found.rows[:, COMPONENTS.index(curve.component)])
        )
        if not gain.any():
            why = found.why or why
            continue
        highest = max(highest, float(gain.max()))
        look = looks[curve.label]
        axes.plot(
            summary.frequency_hz,
            gain,
            color=look.colour,
            linestyle=look.line,
            linewidth=1.4,
            label=curve.label,
        )
    if highest == 0:
        _say(axes, why)
        return
    axes.set_yscale("log")
    _frame(axes, summary, panel, highest)


def _frame(axes: Axes, summary: CarSummary, panel: _Panel, highest: float) -> None:
    axes.set_ylim(highest * 10**-DECADES, highest * 1.6)
    over_frequency(axes, summary.frequency_hz)
    plain_numbers(axes.yaxis)
    axes.set_ylabel(panel.unit)
    axes.set_xlabel("frequency, Hz")
    for mode in summary.modes:
        if summary.frequency_hz[0] < mode.natural_frequency_hz < summary.frequency_hz[-1]:
            axes.axvline(mode.natural_frequency_hz, color=FAINT, linewidth=0.8, linestyle=":")
    axes.legend(
        loc="lower left",
        fontsize=7.5,
        handlelength=2.6,
        frameon=True,
        facecolor="white",
        edgecolor="none",
        framealpha=0.9,
    )


def _say(axes: Axes, why: str) -> None:
    """In place of curves, why there are none."""
    axes.set_axis_off()
    text = fill(f"not known: {why}" if why else "does not answer", REASON_CHARACTERS)
    axes.text(0.0, 0.9, text, transform=axes.transAxes, va="top", fontsize=8)
