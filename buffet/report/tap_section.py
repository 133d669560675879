"""The page's section on pressure taps: means over the runs of each configuration, as maps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.rating.rate import Rating
from buffet.report.figures import PageFigure, configuration_styles
from buffet.report.look import inline_svg, new_figure
from buffet.report.tap_maps import View, draw_map, views
from buffet.report.wording import NONE
from buffet.run_spectra import QuantityResult, RunResult
from buffet.taps.tap_spectra import stated

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

HIGHEST_IN, PANEL_IN, AROUND_IN = 2.3, 2.6, 0.85  # a map's most height, its width, its labels
NO_TAPS = "No run measured a pressure on the model."
NO_PLACES = "Fewer than two taps state their place (at), so no map is drawn."


@dataclass(frozen=True)
class ConfigurationTaps:
    """Mean and RMS of every tap over the runs of a configuration that measured it."""

    configuration: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    at_m: tuple[tuple[float, float, float] | None, ...]
    mean: Array  # (n_taps,)
    rms: Array  # (n_taps,); NaN where nothing rises above the wind-off noise in some run


class TapRow(NamedTuple):
    """One tap of one configuration."""

    configuration: str
    tap: str
    unit: str
    at: str
    mean: str
    rms: str


@dataclass(frozen=True)
class TapSection:
    """Maps and rows; the reason where there are none."""

    why_none: str
    why_no_maps: str = ""
    figures: tuple[PageFigure, ...] = ()
    rows: tuple[TapRow, ...] = ()


def tap_section(rating: Rating) -> TapSection:
    """Of all configurations with taps."""
    names = list(configuration_styles(rating))
    found = [taps for name in names if (taps := configuration_taps(rating, name)) is not None]
    if not found:
        return TapSection(NO_TAPS)
    placed = [one for one in found if len(_placed(one)) >= 2]
    largest = {
        word: max((float(np.nanmax(np.abs(_values(one, word)))) for one in placed), default=1.0)
        for word in _MAPS
    }
    figures = tuple(_page_figure(one, largest, i) for i, one in enumerate(placed))
    rows = tuple(row for one in found for row in _rows(one))
    return TapSection("", "" if placed else NO_PLACES, figures, rows)


def configuration_taps(rating: Rating, name: str) -> ConfigurationTaps | None:
    """Taps of a configuration's runs; None where there are none.

    Means are averaged over the runs, and mean squares of fluctuations, all counting alike.
    """
    runs = [one for one in rating.results if one.analysis.run.configuration == name]
    taps: dict[str, list[tuple[RunResult, int]]] = {}
    for run in runs:
        for i, one in enumerate(run.quantities):
            if one.quantity.measures == "pressure" and not run.analysis.dead[i]:
                taps.setdefault(one.quantity.name, []).append((run, i))
    if not taps:
        return None
    told = {tap: [run.quantities[i] for run, i in where] for tap, where in taps.items()}
    first = [where[0] for where in taps.values()]
    return ConfigurationTaps(
        name,
        tuple(taps),
        tuple(run.quantities[i].quantity.unit for run, i in first),
        tuple(stated(run.analysis, i).at_m for run, i in first),
        np.array([np.mean([one.mean.value for one in own]) for own in told.values()]),
        np.array([_mean_rms(own) for own in told.values()]),
    )


def _mean_rms(own: Sequence[QuantityResult]) -> float:
    known: list[Interval] = [one.rms for one in own if one.rms is not None]
    if len(known) < len(own):
        return float("nan")
    return float(np.sqrt(np.mean([rms.value**2 for rms in known])))


def _placed(taps: ConfigurationTaps) -> list[int]:
    return [i for i, at in enumerate(taps.at_m) if at is not None]


_MAPS = ("mean", "RMS")


def _values(taps: ConfigurationTaps, word: str) -> Array:
    """Of the taps with a place; nothing above the noise counts as no fluctuation."""
    values = taps.mean if word == "mean" else np.nan_to_num(taps.rms)
    return np.asarray(values[_placed(taps)])


def _page_figure(taps: ConfigurationTaps, largest: dict[str, float], position: int) -> PageFigure:
    loudest = taps.names[int(np.argmax(np.nan_to_num(taps.rms)))]
    lowest = taps.names[int(np.argmin(taps.mean))]
    svg = inline_svg(
        lambda: taps_maps_figure(taps, largest),
        f"taps-{position}",
        f"{taps.configuration}: mean and RMS pressure at the taps",
        f"{len(_placed(taps))} taps. Lowest mean at {lowest}: {taps.mean.min():.3g}; largest RMS "
        f"at {loudest}: {np.nan_to_num(taps.rms).max():.3g}. All values stand in the table below.",
    )
    return PageFigure(
        svg,
        f"{taps.configuration}. The area of a mark is the size of its value, at one scale for all "
        "configurations, open where negative; grey lines: equal values between taps (dashed: "
        "negative), and the hull of the taps. Places in metres on the model.",
    )


def taps_maps_figure(taps: ConfigurationTaps, largest: dict[str, float]) -> Figure:
    """Maps of mean and RMS as seen from each side, two in a line."""
    at = np.array([taps.at_m[i] for i in _placed(taps)], float)
    panels = [(word, view) for word in _MAPS for view in views(at)]
    rows = -(-len(panels) // 2)
    tallest = max(_height_over_width(view) for _, view in panels)
    figure = new_figure(rows * min(HIGHEST_IN, AROUND_IN + PANEL_IN * tallest))
    every = figure.subplots(rows, 2, squeeze=False).ravel()
    for axes in every[len(panels) :]:
        axes.set_axis_off()
    for axes, (word, view) in zip(every, panels, strict=False):
        _map(axes, taps, word, view, largest[word])
    return figure


def _height_over_width(view: View) -> float:
    """Of what is seen, with room around it."""
    across, up = np.ptp(view.places, axis=0)
    margin = 0.32 * max(across, up)
    return float((up + margin) / (across + margin)) if margin else 1.0


def _map(axes: Axes, taps: ConfigurationTaps, word: str, view: View, largest: float) -> None:
    values = _values(taps, word)
    labels = [format(value, "z.3f") for value in values.tolist()]
    draw_map(axes, view, values, labels, largest)
    axes.set_title(f"{word}, {view.title}")


def _rows(taps: ConfigurationTaps) -> list[TapRow]:
    return [
        TapRow(
            taps.configuration,
            name,
            "coefficient" if unit == "1" else unit,
            NONE if at is None else ", ".join(f"{x:.3f}" for x in at).replace("-", "−"),
            f"{mean:.4g}".replace("-", "−"),
            NONE if np.isnan(rms) else f"{rms:.4g}",
        )
        for name, unit, at, mean, rms in zip(
            taps.names,
            taps.units,
            taps.at_m,
            taps.mean.tolist(),
            taps.rms.tolist(),
            strict=True,
        )
    ]
