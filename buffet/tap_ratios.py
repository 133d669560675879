"""RMS of each tap's pressure coefficient over the baseline's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from buffet.analysis import CampaignAnalysis
from buffet.holm import holm
from buffet.interval import Interval
from buffet.pairs import Pair, exponential, rms_scatter
from buffet.rating.scatter import Scatter, by_tap
from buffet.run_analysis import RunAnalysis

MOVED = "it does not stand at the same place in all runs"


@dataclass(frozen=True)
class TapRatio:
    """Ratio of one tap's RMS; None where there is none, and why."""

    name: str
    ratio: Interval | None
    p_value: float | None  # of no difference, corrected for configurations and taps
    why: str | None


def tap_ratios(
    analysis: CampaignAnalysis, pairs: Mapping[str, Pair]
) -> dict[str, tuple[TapRatio, ...]]:
    """By configuration, of every tap of the campaign; Holm over configurations and taps."""
    names = _tap_names(analysis)
    scatters = {name: rms_scatter(analysis, by_tap(name)) for name in names}
    found = {
        own: [_ratio(pair, name, scatters[name]) for name in names] for own, pair in pairs.items()
    }
    every = [one.p_value for row in found.values() for one in row if one.p_value is not None]
    corrected = iter(holm(every))
    return {
        own: tuple(
            one if one.p_value is None else replace(one, p_value=next(corrected)) for one in row
        )
        for own, row in found.items()
    }


def _tap_names(analysis: CampaignAnalysis) -> list[str]:
    every = (q for run in analysis.runs for q in run.signal.quantities)
    return list(dict.fromkeys(q.name for q in every if q.measures == "pressure"))


def _ratio(pair: Pair, name: str, repeats: Scatter) -> TapRatio:
    runs = [*pair.runs(pair.name), *pair.runs(pair.other)]
    if lost := [run.run.number for run in runs if run.pressure(name) is None]:
        why = f"not measured, or its channel never changed, in run {', '.join(lost)}"
        return TapRatio(name, None, None, why)
    if len({_place(run, name) for run in runs}) > 1:
        return TapRatio(name, None, None, MOVED)
    logs = pair.log_ratio_of(by_tap(name), repeats)
    if logs is None:
        why = "nothing rises above the wind-off noise" if runs else pair.why_missing(name)
        return TapRatio(name, None, None, why)
    return TapRatio(name, exponential(logs.interval()), logs.p_value(), None)


def _place(run: RunAnalysis, name: str) -> tuple[float, float, float] | None:
    return next(channel.at_m for channel in run.run.channels if channel.name == name)
