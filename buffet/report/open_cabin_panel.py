"""A panel of an open cabin: the shear layer's frequencies over road speed, and the cabin's own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from buffet.cabin.open_cabin import OpenCabinFigures
from buffet.report.look import FAINT, INK, styles

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SPEEDS_KM_H = (20.0, 250.0)
POINTS = 80
HIGHEST = 2.6  # of the panel, in Helmholtz frequencies
KEY = (
    "open cabin: frequencies of the shear layer's modes with the range of their eddies' speed; "
    "upright line: the road speed; circles: where a mode meets the cabin's Helmholtz frequency "
    "(rigid walls: lower in reality)"
)


def draw_open_cabin(axes: Axes, found: OpenCabinFigures) -> None:
    """Modes as lines in bands, the cabin's own frequency level, circles where they meet."""
    km_h = np.linspace(*SPEEDS_KM_H, POINTS)
    value, low, high = found.over_speeds(km_h / 3.6)
    names = [f"mode {met.mode}" for met in found.meetings]
    looks = styles(names)
    for i, (name, met) in enumerate(zip(names, found.meetings, strict=True)):
        look = looks[name]
        axes.fill_between(km_h, low[:, i], high[:, i], color=look.colour, alpha=0.15, linewidth=0)
        axes.plot(
            km_h, value[:, i], color=look.colour, linestyle=look.line, linewidth=1.4, label=name
        )
        if met.speed_m_s is not None:
            axes.plot(
                [met.speed_m_s * 3.6],
                [met.frequency_hz],
                "o",
                color=look.colour,
                markersize=6,
                markerfacecolor="white",
                zorder=4,
            )
    axes.axhline(
        found.helmholtz_hz,
        color=FAINT,
        linewidth=2.2,
        label=f"Helmholtz, {found.helmholtz_hz:.1f} Hz",
    )
    axes.axvline(found.speed_m_s * 3.6, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.set_title("open cabin")
    axes.set_xlim(*SPEEDS_KM_H)
    axes.set_ylim(0, HIGHEST * found.helmholtz_hz)
    axes.set_xlabel("road speed, km/h")
    axes.set_ylabel("Hz")
    axes.legend(
        loc="lower right",
        fontsize=7.5,
        handlelength=2.6,
        ncols=4,
        frameon=True,
        facecolor="white",
        edgecolor="none",
        framealpha=0.9,
    )
