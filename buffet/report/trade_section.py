"""The page's section on what is felt against what it costs, and on the taps' ratios."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from buffet.comparing import Comparison
from buffet.comparison_text import beaten_text, left_out_text, probability
from buffet.report.figures import PageFigure, configuration_styles
from buffet.report.look import inline_svg
from buffet.report.trade_figure import KEY, trade_figure
from buffet.report.wording import MARKS, NONE, Mark, km_h, p_value, spanned


class TradeRow(NamedTuple):
    """One configuration by what is felt of it and what it costs."""

    name: str
    mark: Mark
    felt: str
    p_best: str
    drag: str
    rear_lift: str
    beaten_by: str


class TapRatioRow(NamedTuple):
    """One tap of an add-on against the baseline."""

    name: str
    tap: str
    ratio: str
    p: str
    why: str


@dataclass(frozen=True)
class TradeSection:
    """Rows and a figure; the figure is None where nothing is ranked."""

    rows: tuple[TradeRow, ...]
    figure: PageFigure | None
    left_out: str
    taps: tuple[TapRatioRow, ...]


def trade_section(comparison: Comparison) -> TradeSection:
    """Of all configurations, what is felt least first."""
    rows = tuple(
        TradeRow(
            one.name,
            MARKS[one.verdict],
            spanned(one.felt),
            NONE if one.p_best is None else probability(one.p_best),
            spanned(one.drag_n),
            spanned(one.rear_lift_n),
            beaten_text(one),
        )
        for one in comparison.trade_offs
    )
    taps = tuple(
        TapRatioRow(one.name, tap.name, spanned(tap.ratio), p_value(tap.p_value), tap.why or "")
        for one in comparison.add_ons
        for tap in one.taps
    )
    return TradeSection(rows, _figure(comparison), left_out_text(comparison.ranking), taps)


def _figure(comparison: Comparison) -> PageFigure | None:
    told = [one for one in comparison.trade_offs if one.felt is not None]
    if not told:
        return None
    values = "; ".join(
        f"{one.name}: felt {spanned(one.felt)} of the limit, drag {spanned(one.drag_n)} N, rear "
        f"lift {spanned(one.rear_lift_n)} N"
        + (f", beaten by {', '.join(one.dominated_by)}" if one.dominated_by else "")
        for one in told
    )
    look = configuration_styles(comparison.rating)
    svg = inline_svg(
        lambda: trade_figure(comparison, look, key=False),
        "trade",
        f"What is felt against drag and rear lift at {km_h(comparison.speed_m_s)} km/h",
        f"{values}.",
    )
    return PageFigure(svg, f"{KEY}.")
