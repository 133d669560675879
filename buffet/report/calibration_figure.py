"""What a calibrated balance gives back, less what was applied: over the loadings and the loads."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from buffet.calibrating.fit import Calibration
from buffet.report.look import FAINT, INK, RULE, new_figure, save

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW_IN = 1.15
FOOT_IN = 0.75


def draw_residuals(calibration: Calibration, path: Path) -> None:
    """Draw each load's residuals in % of full scale over loading number and over the load.

    Raises
    ------
    OutputError
        The suffix is none of .png, .svg, .pdf, or the file cannot be written.
    """
    save(lambda: residual_figure(calibration), path)


def residual_figure(calibration: Calibration) -> Figure:
    """A row a load, the two of a row on one scale; a band of one standard deviation."""
    table = calibration.table
    figure = new_figure(ROW_IN * len(table.loads) + FOOT_IN)
    rows = figure.subplots(
        len(table.loads), 2, squeeze=False, sharey="row", width_ratios=(1.6, 1.0)
    )
    numbers = np.arange(1, len(table.lines) + 1)
    percent = 100.0 * calibration.load_residuals / table.full_scale
    deviation = 100.0 * calibration.load_deviation / table.full_scale
    for i, (left, right) in enumerate(rows):
        name = f"{table.loads[i]}: s = {deviation[i]:.2g} %"
        left.set_title(name)
        left.set_ylabel("% of full scale")
        _points(left, numbers, percent[:, i], deviation[i])
        _points(right, table.load_values[:, i], percent[:, i], deviation[i])
        right.set_xlabel(f"{table.loads[i]}, {table.load_units[i]}")
        for border in np.flatnonzero(np.diff(table.series)) + 1.5:
            left.axvline(border, color=FAINT, linewidth=0.7, linestyle=(0, (2, 2)))
        left.set_xlim(0.5, len(numbers) + 0.5)
        if i < len(rows) - 1:
            left.tick_params(labelbottom=False)
    rows[-1, 0].set_xlabel(
        "loading" + ("; dashed: a new series" if len(table.series_names) > 1 else "")
    )
    figure.align_ylabels(rows[:, 0])
    return figure


def _points(axes: Axes, places: np.ndarray, residuals: np.ndarray, deviation: float) -> None:
    axes.axhspan(-deviation, deviation, color=RULE, alpha=0.6, linewidth=0)
    axes.axhline(0.0, color=INK, linewidth=0.7)
    axes.plot(
        places,
        residuals,
        linestyle="none",
        marker="o",
        markersize=2.6,
        color=INK,
        markerfacecolor="white",
        markeredgewidth=0.8,
    )
