"""Results drawn on axes of one's own, or on axes made by pyplot."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from buffet.analysis import CampaignAnalysis
from buffet.comparing import Comparison
from buffet.planning.plan import Plan
from buffet.rating.rate import Rating
from buffet.report.figures import configuration_styles
from buffet.report.look import INK, drawing, powers_of_ten, shortened, styles
from buffet.report.rms_figures import ratio_panel
from buffet.report.spectrum_figures import per_hertz, run_panel
from buffet.report.speed_figure import decisive_criteria, speed_panel
from buffet.report.trade_figure import COSTS, Cost, trade_panel
from buffet.run_spectra import RunResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plot(result: object, axes: Axes | None = None, **options: Any) -> Axes:
    """Draw a result on axes, given or made, and give them back.

    Options: of an analysis `measures`, the component; of a run `quantity`; of a rating `criterion`;
    of a comparison `over`, "drag" or "rear lift".

    Raises
    ------
    TypeError
        It is no result that draws itself.
    ValueError
        An option names what is not there.
    """
    with drawing():
        drawn = axes if axes is not None else _made()
        _drawer(result)(result, drawn, **options)
    return drawn


def _made() -> Axes:
    from matplotlib import pyplot as plt

    _, axes = plt.subplots(layout="constrained")
    return axes


def _analysis(result: CampaignAnalysis, axes: Axes, measures: str = "lift") -> None:
    """PSD of one component of all wind-on runs, a colour a configuration."""
    look = styles(list(dict.fromkeys(run.run.configuration or "" for run in result.runs)))
    named = set()
    for run in result.runs:
        index, name = run.fluctuation(measures), run.run.configuration or ""
        if index is None:
            continue
        bins = run.signal.usable_bins[index]
        frequency, psd = run.signal.frequency_hz[bins], run.signal.psd[index, bins]
        label = "" if name in named else shortened(name)
        named.add(name)
        style = look[name]
        axes.loglog(frequency[1:], psd[1:], color=style.colour, linestyle=style.line, label=label)
        axes.set_ylabel(f"PSD of {measures}, {per_hertz(run.signal.quantities[index].unit)}")
    if not named:
        raise ValueError(f"no run measures {measures!r}")
    axes.set_xlabel("frequency, Hz")
    powers_of_ten(axes.yaxis)
    axes.legend()


def _run(result: RunResult, axes: Axes, quantity: str | None = None) -> None:
    """PSD of one quantity, the first unless named, with limits, noise and peaks."""
    names = [one.quantity.name for one in result.quantities]
    run_panel(axes, result, result.quantities[_index(names, quantity)])


def _rating(result: Rating, axes: Axes, criterion: str | None = None) -> None:
    """One criterion over road speed, the first that set a verdict unless named."""
    rows = result.criteria.rows if criterion else decisive_criteria(result)
    row = rows[_index([row.id for row in rows], criterion)]
    speed_panel(axes, result, row, configuration_styles(result))


def _comparison(result: Comparison, axes: Axes, over: Cost | None = None) -> None:
    """RMS over the baseline's; or what is felt over "drag" or "rear lift"."""
    look = configuration_styles(result.rating)
    if over is None:
        ratio_panel(axes, result, look)
    elif over not in COSTS:
        raise ValueError(f"there is no {over!r}; choose one of {', '.join(COSTS)}")
    else:
        trade_panel(axes, result, over, look)
    if axes.get_legend_handles_labels()[0]:
        axes.legend()


def _plan(result: Plan, axes: Axes) -> None:
    """Record length that each wish needs with the planned repeats, beside the planned one."""
    records = result.records
    needed = {f"{one.demand.wish} ±{one.demand.within:.2g}": one.record_s for one in records.wishes}
    known = {name: value for name, value in needed.items() if value is not None}
    known["bins of the peaks"] = records.resolution_record_s
    axes.barh(list(known), list(known.values()), color="white", edgecolor=INK, hatch="//")
    axes.axvline(records.record_s, color=INK, label=f"planned: {records.record_s:.0f} s")
    axes.invert_yaxis()
    axes.set_xlabel(f"record length needed with {records.repeats} repeats, s")
    axes.legend()


def _index(names: list[str], wanted: str | None) -> int:
    if wanted is None:
        return 0
    if wanted not in names:
        raise ValueError(f"there is no {wanted!r}; choose one of {', '.join(names)}")
    return names.index(wanted)


# What draws each kind of result.
_DRAWERS: dict[type, Callable[..., None]] = {
    CampaignAnalysis: _analysis,
    RunResult: _run,
    Rating: _rating,
    Comparison: _comparison,
    Plan: _plan,
}


def _drawer(result: object) -> Callable[..., None]:
    for kind, drawer in _DRAWERS.items():
        if isinstance(result, kind):
            return drawer
    raise TypeError(f"{type(result).__name__} has no picture")
