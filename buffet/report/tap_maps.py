"""Maps of values at pressure taps, seen from the side and from behind, in metres at one scale.

Nothing of the body is drawn but the taps' own convex hull; between taps only where there are
enough of them, and never beyond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from buffet.report.look import FAINT, INK, RULE, spread

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

# Of the taps' range in x: nearer to the rearmost tap is the rear, and between the two shares a
# tap could belong to either view (engineering judgement).
REAR_SHARE, UNCLEAR_SHARE = 0.10, 0.25
# Of the largest range: less counts as one line or plane.
FLAT_SHARE = 0.05
FEWEST_FOR_CONTOURS = 8
MOST_LABELS = 20  # a view; more cannot be read
LEVELS = 6
MARK_POINTS = 150.0  # area of the largest mark
HAND_POINTS = 11.0  # length of the hand that shows a phase
LABEL_POINTS = 8.0  # of a label above its mark
LABEL_IN = (0.32, 0.10)  # width and height that a label takes up
PANEL_IN = (2.6, 1.6)  # of a map inside its axes, about


@dataclass(frozen=True)
class View:
    """Taps as seen from one side."""

    title: str
    taps: tuple[int, ...]
    places: Array  # (n, 2), in metres
    axes: tuple[str, str]


def views(at_m: Array) -> tuple[View, ...]:
    """Side and rear views of taps at ``(n_taps, 3)``; all taps in each where that is unclear.

    SAE J1594 axes: x rearward, y right, z up.
    """
    extent = np.ptp(at_m, axis=0)
    size = float(extent.max()) or 1.0
    every = np.arange(len(at_m))
    ahead = at_m[:, 0].max() - at_m[:, 0]
    if extent[0] <= FLAT_SHARE * size:  # one plane across the flow
        return (_rear(at_m, every),)
    behind = ahead <= REAR_SHARE * extent[0]
    unclear = (ahead > REAR_SHARE * extent[0]) & (ahead <= UNCLEAR_SHARE * extent[0])
    if extent[1] <= FLAT_SHARE * size:  # one plane along it
        return _sides(at_m, every)
    if unclear.any() or np.ptp(at_m[behind, 1]) <= FLAT_SHARE * size:
        return *_sides(at_m, every), _rear(at_m, every)
    return *_sides(at_m, every[~behind]), _rear(at_m, every[behind])


def _sides(at_m: Array, taps: NDArray[np.int64]) -> tuple[View, ...]:
    """One view, or left and right where there are taps on both; those in the middle are in each."""
    across = at_m[taps, 1]
    middle = FLAT_SHARE * max(float(np.abs(at_m[:, 1]).max()), 1e-9)
    left, right = across < -middle, across > middle
    if not (left.any() and right.any()):
        word = "right side" if right.any() else "left side" if left.any() else "side view"
        return (_side(at_m, taps, word),)
    return _side(at_m, taps[~right], "left side"), _side(at_m, taps[~left], "right side")


def _side(at_m: Array, taps: NDArray[np.int64], title: str) -> View:
    return View(title, tuple(taps.tolist()), at_m[taps][:, [0, 2]], ("x, m", "z, m"))


def _rear(at_m: Array, taps: NDArray[np.int64]) -> View:
    return View("from behind", tuple(taps.tolist()), at_m[taps][:, [1, 2]], ("y, m", "z, m"))


def draw_map(
    axes: Axes,
    view: View,
    values: Array,
    labels: Sequence[str],
    largest: float,
    phases: Array | None = None,
) -> None:
    """Marks whose area is the value's size, filled where it is positive, with labels beside them.

    Parameters
    ----------
    values, labels : of all taps of the run; `values` real
    largest : size that gives the largest mark
    phases : rad, drawn as a hand: rightwards for zero, counter-clockwise for a lead; NaN: none
    """
    own = values[list(view.taps)]
    _frame(axes, view)
    if phases is None:
        _contours(axes, view, own)
    x, y = view.places.T
    size = np.maximum(np.abs(own) / (largest or 1.0), 0.02) * MARK_POINTS
    for chosen, face in ((own >= 0, FAINT), (own < 0, "white")):
        axes.scatter(
            x[chosen],
            y[chosen],
            s=size[chosen],
            facecolor=face,
            edgecolor=INK,
            linewidth=0.9,
            zorder=3,
        )
    if phases is not None:
        _hands(axes, view, phases[list(view.taps)])
    _labels(axes, view, own, [labels[i] for i in view.taps])


def _frame(axes: Axes, view: View) -> None:
    low, high = view.places.min(axis=0), view.places.max(axis=0)
    margin = 0.16 * float(max(high - low)) or 0.1
    axes.set_xlim(low[0] - margin, high[0] + margin)
    axes.set_ylim(low[1] - margin, high[1] + margin)
    axes.set_aspect("equal")
    axes.set_xlabel(view.axes[0])
    axes.set_ylabel(view.axes[1])
    axes.locator_params(nbins=5)
    axes.grid(False)
    axes.tick_params(width=0.5)


def in_a_plane(places: Array) -> bool:
    """Whether there are enough places, and not in a line, to draw between them."""
    if len(np.unique(places, axis=0)) < FEWEST_FOR_CONTOURS:
        return False
    sizes = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    return bool(sizes[1] > FLAT_SHARE * sizes[0])


def _contours(axes: Axes, view: View, values: Array) -> None:
    """Lines of equal value, linear between neighbouring taps; dashed below zero."""
    if not in_a_plane(view.places):
        return
    from matplotlib.tri import Triangulation

    mesh = Triangulation(*view.places.T)
    edges = mesh.edges[_is_outer(mesh)]
    for first, second in edges:
        axes.plot(*view.places[[first, second]].T, color=RULE, linewidth=0.8, zorder=1)
    if np.ptp(values) > 0:
        lines = axes.tricontour(
            mesh,
            values,
            levels=LEVELS,
            colors=FAINT,
            linewidths=0.7,
            zorder=2,
            negative_linestyles="dashed",
        )
        lines.set_zorder(2)


def _is_outer(mesh: object) -> NDArray[np.bool_]:
    """Edges that belong to one triangle alone."""
    triangles = mesh.triangles  # type: ignore[attr-defined]
    sides = np.sort(
        np.concatenate([triangles[:, [a, b]] for a, b in ((0, 1), (1, 2), (2, 0))]), axis=1
    )
    kinds, counts = np.unique(sides, axis=0, return_counts=True)
    outer = {tuple(kind) for kind, count in zip(kinds.tolist(), counts, strict=True) if count == 1}
    edges = np.sort(mesh.edges, axis=1)  # type: ignore[attr-defined]
    return np.array([tuple(edge) in outer for edge in edges.tolist()])


def _hands(axes: Axes, view: View, phases: Array) -> None:
    line = {"arrowstyle": "-", "color": INK, "linewidth": 1.4, "shrinkA": 0, "shrinkB": 0}
    for (x, y), phase in zip(view.places.tolist(), phases.tolist(), strict=True):
        if np.isnan(phase):
            continue
        end = (HAND_POINTS * float(np.cos(phase)), HAND_POINTS * float(np.sin(phase)))
        axes.annotate("", (x, y), end, textcoords="offset points", arrowprops=line, zorder=5)


def _labels(axes: Axes, view: View, values: Array, labels: Sequence[str]) -> None:
    """Above the marks; those that would touch are moved apart, none below its own."""
    shown = np.argsort(-np.abs(values), kind="stable")[:MOST_LABELS]
    (x_low, x_high), (y_low, y_high) = axes.get_xlim(), axes.get_ylim()
    metres_an_inch = max((x_high - x_low) / PANEL_IN[0], (y_high - y_low) / PANEL_IN[1])
    gap = LABEL_IN[1] * metres_an_inch
    column = LABEL_IN[0] * metres_an_inch
    left = set(shown.tolist())
    while left:
        first = min(left, key=lambda i: view.places[i, 0])
        near = [i for i in left if view.places[i, 0] - view.places[first, 0] < column]
        left -= set(near)
        own = [float(view.places[i, 1]) for i in near]
        heights = spread(own, gap, y_low, y_high)
        lift = max(0.0, *(y - height for y, height in zip(own, heights, strict=True)))
        for i, height in zip(near, heights, strict=True):
            axes.annotate(
                labels[i],
                (float(view.places[i, 0]), height + lift),
                (0, LABEL_POINTS),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=6.5,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.3},
                zorder=2.5,
            )
