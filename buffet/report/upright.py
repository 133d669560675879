"""Marks on a spectrum, each with its label on end above it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from buffet.report.look import FAINT, MARKED, spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes


class Mark(NamedTuple):
    """A place on a spectrum and what is said of it."""

    frequency_hz: float
    height: float
    shape: str
    label: str


def mark_upright(axes: Axes, marks: Sequence[Mark], gap: float) -> None:
    """Draw the marks, by rising frequency, and their labels at the top of the panel.

    Parameters
    ----------
    gap : least distance of the labels, which are moved apart to it, as a share of the width
    """
    low, high = np.log(axes.get_xlim())
    gap *= high - low
    logs = [float(np.log(mark.frequency_hz)) for mark in marks]
    for mark, place in zip(marks, spread(logs, gap, low + gap, high - gap), strict=True):
        axes.plot(
            [mark.frequency_hz],
            [mark.height],
            marker=mark.shape,
            color=MARKED,
            markersize=5,
            markerfacecolor="none",
        )
        axes.annotate(
            mark.label,
            (mark.frequency_hz, mark.height * 1.2),
            (float(np.exp(place)), 0.99),
            textcoords=("data", "axes fraction"),
            rotation=90,
            ha="center",
            va="top",
            fontsize=6.5,
            arrowprops={"arrowstyle": "-", "color": FAINT, "linewidth": 0.5},
        )
