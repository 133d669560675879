"""What is felt of each configuration, against what it costs in drag and rear lift."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

from buffet.comparing import Comparison
from buffet.interval import Interval
from buffet.report.look import FAINT, INK, Style, new_figure, plain_numbers, shortened, write_key
from buffet.trade_offs import TradeOff

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEIGHT_IN = 3.8
# Room left beside the outermost marks, as a share of what they span, and above and below them.
MARGIN, FACTOR = 0.25, 1.3
KEY = (
    "Lower left is better in both panels. Lines: 95 % intervals; dashed level: the lower limit of "
    "the criterion nearest to it; crossed out: another configuration is no worse in all three and "
    "better in one beyond doubt"
)

Cost = Literal["drag", "rear lift"]
COSTS: dict[Cost, Callable[[TradeOff], Interval | None]] = {
    "drag": lambda one: one.drag_n,
    "rear lift": lambda one: one.rear_lift_n,
}


def trade_figure(comparison: Comparison, styles: dict[str, Style], *, key: bool = True) -> Figure:
    """Two panels with what is felt upward, over drag and over rear lift at the road speed."""
    figure = new_figure(HEIGHT_IN)
    over_drag, over_lift = figure.subplots(1, 2, sharey=True)
    trade_panel(over_drag, comparison, "drag", styles)
    trade_panel(over_lift, comparison, "rear lift", styles)
    over_lift.set_ylabel("")
    told = [one for one in comparison.trade_offs if one.felt is not None]
    handles = max(
        (a.get_legend_handles_labels() for a in (over_drag, over_lift)), key=lambda h: len(h[0])
    )
    if handles[0]:
        figure.legend(*handles, loc="outside upper center", ncols=4)
    if key:
        left_out = len(comparison.trade_offs) - len(told)
        write_key(figure, KEY, left_out, "configurations that are not ranked")
    return figure


def trade_panel(axes: Axes, comparison: Comparison, over: Cost, styles: dict[str, Style]) -> None:
    """What is felt upward, over one cost at the road speed, on given axes."""
    placed = [
        (one, felt, x)
        for one in comparison.trade_offs
        if (felt := one.felt) is not None and (x := COSTS[over](one))
    ]
    axes.set_xlabel(f"mean {over} at {comparison.speed_m_s * 3.6:.0f} km/h, N")
    axes.set_ylabel("felt, over the lower limit")
    axes.set_yscale("log")
    axes.axhline(1.0, color=FAINT, linestyle=(0, (4, 3)), linewidth=0.9, zorder=1)
    if not placed:
        axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", color=FAINT)
        return
    xs = [x.value for _, _, x in placed]
    room = MARGIN * (max(xs) - min(xs) or abs(xs[0]) or 1.0)
    axes.set_xlim(min(xs) - room, max(xs) + room)
    lows = [felt.low or felt.value for _, felt, _ in placed]
    highs = [felt.high or felt.value for _, felt, _ in placed]
    axes.set_ylim(min([*lows, 1.0]) / FACTOR, max([*highs, 1.0]) * FACTOR)
    plain_numbers(axes.yaxis)
    for one, felt, x in placed:
        _mark(axes, one, felt, x, styles[one.name])


def _mark(axes: Axes, one: TradeOff, felt: Interval, x: Interval, style: Style) -> None:
    if felt.low and felt.high:
        axes.plot([x.value] * 2, [felt.low, felt.high], color=style.colour, linewidth=1.2)
    if x.low is not None and x.high is not None:
        axes.plot([x.low, x.high], [felt.value] * 2, color=style.colour, linewidth=1.2)
    axes.plot(
        [x.value],
        [felt.value],
        linestyle="none",
        marker=style.marker,
        color=style.colour,
        markerfacecolor="white" if one.dominated_by else style.colour,
        markersize=6,
        zorder=4,
        label=shortened(one.name),
    )
    if one.dominated_by:
        axes.plot([x.value], [felt.value], "x", color=INK, markersize=11, zorder=5)
