"""Add-ons against the baseline: which differences are real, what they cost, which to fit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.band_ratios import BandRatio, RoadOctaves, with_p_values
from buffet.errors import NotRateableError
from buffet.holm import holm
from buffet.interval import Interval
from buffet.pairs import Estimate, Pair, Spreads, exponential
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.scatter import cells
from buffet.recommending import Recommendation, recommend
from buffet.road_load.change import RoadLoadChange, road_load_change
from buffet.road_load.speed_trace import SpeedTrace
from buffet.trade import (
    AxleLift,
    axle_lift,
    fuel_change_percent,
    fuel_elasticity,
    top_speed_change_percent,
)
from ingest import FORCES, MOMENTS, Campaign

COMPARED = (*FORCES, *MOMENTS)
# Components whose means are compared.
MEANS = ("drag", "front lift", "rear lift")
AXLES = ("front lift", "rear lift")
# RMS values closer than this pass for equal: less than the least that anybody notices, 7 to 11 %.
EQUAL_WITHIN = 0.05


@dataclass(frozen=True)
class AddOn:
    """One configuration beside the baseline; differences are add-on minus baseline."""

    name: str
    rms_ratio: Mapping[str, Interval]  # by component
    p_value: Mapping[str, float]  # corrected for the number of configurations
    # Of being further apart than EQUAL_WITHIN in RMS, by component; corrected likewise.
    equivalence_p_value: Mapping[str, float]
    detectable: Mapping[str, float]  # relative change of RMS that would be shown, by component
    bands: Mapping[str, tuple[BandRatio, ...]]  # by component; corrected for their number too
    unreliable: tuple[str, ...]  # components with too little record behind their ratio
    delta_drag: Interval | None  # coefficients
    delta_front_lift: Interval | None
    delta_rear_lift: Interval | None
    delta_p_value: Mapping[str, float]  # of drag, front and rear lift; corrected likewise
    lift_balance: Mapping[str, AxleLift]  # of front and rear lift
    drag_change_percent: Interval | None
    fuel_change_percent: Interval | None
    top_speed_change_percent: Interval | None
    road_load: RoadLoadChange  # energy, at the road speed and over the speed trace
    missing: Mapping[str, str]  # why a value is not there
    rating: ConfigurationRating


@dataclass(frozen=True)
class Comparison:
    """All add-ons against the baseline at one road speed."""

    baseline: ConfigurationRating
    speed_m_s: float
    baseline_lift: Mapping[str, AxleLift]  # front and rear, over all its runs
    add_ons: tuple[AddOn, ...]
    repeats: int  # runs beyond the first of an operating point, all configurations together
    fuel_elasticity: float
    recommendation: Recommendation
    rating: Rating
    speed_trace: SpeedTrace | None = None
    with_tunnel: Comparison | None = None  # the same of the runs as read

    @property
    def repeated(self) -> bool:
        """Whether any operating point was run more than once."""
        return self.repeats > 0

    def as_read(self, name: str) -> AddOn | None:
        """An add-on with the tunnel's part in; None where it was not taken out."""
        every = self.with_tunnel.add_ons if self.with_tunnel else ()
        return next((one for one in every if one.name == name), None)


def require_baseline(campaign: Campaign) -> str:
    """The baseline's name; refuses before any recording is read.

    Raises
    ------
    NotRateableError
        The campaign names no baseline.
    """
    if campaign.baseline is None:
        raise NotRateableError(
            f"{campaign.folder / 'campaign.toml'}: no baseline is stated, so there is nothing to "
            "compare with; state [campaign] baseline"
        )
    return campaign.baseline


def compare(
    rating: Rating, elasticity: float | None = None, speed_trace: SpeedTrace | None = None
) -> Comparison:
    """Compare every configuration with the campaign's baseline.

    Parameters
    ----------
    elasticity : relative change of fuel per relative change of drag; None for the usual one
    speed_trace : a drive whose energy is worked out by road load, beside that of the road speed

    Raises
    ------
    NotRateableError
        The campaign names no baseline, or none of the baseline's runs could be read.
    """
    analysis = rating.analysis
    name = require_baseline(analysis.campaign)
    rated = {configuration.name: configuration for configuration in rating.configurations}
    if name not in rated:
        raise _lost_baseline(analysis, name)
    words = _components(analysis)
    spreads = Spreads.of(analysis, words)
    others = [c for c in analysis.campaign.configurations if c in rated and c != name]
    pairs = {c: Pair(analysis, c, name, spreads) for c in others}
    of_rms = _corrected({c: _p_values(pair.log_ratio, words) for c, pair in pairs.items()})
    of_equal = _corrected({c: _equivalence(pair, words) for c, pair in pairs.items()})
    of_means = _corrected({c: _p_values(pair.difference, MEANS) for c, pair in pairs.items()})
    share = fuel_elasticity(rating.speed_m_s) if elasticity is None else elasticity
    bands = _band_ratios(pairs, RoadOctaves(analysis, rating.speed_m_s))
    add_ons = tuple(
        _add_on(
            pair,
            rated[c],
            (of_rms[c], of_equal[c], of_means[c]),
            bands[c],
            rating,
            share,
            speed_trace,
        )
        for c, pair in pairs.items()
    )
    repeats = sum(len(runs) - 1 for runs in cells(analysis).values())
    choice = recommend(rated[name], add_ons, lambda one, other: Pair(analysis, one, other, spreads))
    alone = _lift_balance(Pair(analysis, name, name, spreads), rating)
    tunnel = rating.with_tunnel
    as_read = compare(tunnel, elasticity, speed_trace) if tunnel else None
    return Comparison(
        rated[name],
        rating.speed_m_s,
        alone,
        add_ons,
        repeats,
        share,
        choice,
        rating,
        speed_trace,
        as_read,
    )


def _lost_baseline(analysis: CampaignAnalysis, name: str) -> NotRateableError:
    own = {run.number for run in analysis.campaign.wind_on if run.configuration == name}
    lost = [f"  run {f.run}: {f.error}" for f in analysis.failed if f.run in own]
    head = f"{analysis.campaign.folder}: no run of the baseline {name!r} could be read:"
    return NotRateableError("\n".join([head, *lost]))


def _components(analysis: CampaignAnalysis) -> tuple[str, ...]:
    """Components that any run has; what a pair of configurations lacks is told there."""
    return tuple(
        word
        for word in COMPARED
        if any(run.signal.measured(word) is not None for run in analysis.runs)
    )


def _p_values(estimate: Callable[[str], Estimate | None], words: Sequence[str]) -> dict[str, float]:
    """Of no difference, by component, uncorrected."""
    estimates = {word: estimate(word) for word in words}
    return {word: one.p_value() for word, one in estimates.items() if one is not None}


def _equivalence(pair: Pair, words: Sequence[str]) -> dict[str, float]:
    """Of RMS values further apart than EQUAL_WITHIN, uncorrected."""
    estimates = {word: pair.log_ratio(word) for word in words}
    margin = float(np.log1p(EQUAL_WITHIN))
    return {
        word: one.equivalence_p_value(margin) for word, one in estimates.items() if one is not None
    }


def _corrected(raw: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """Holm over the configurations, component by component."""
    result: dict[str, dict[str, float]] = {name: {} for name in raw}
    for word in dict.fromkeys(word for p_values in raw.values() for word in p_values):
        names = [name for name in raw if word in raw[name]]
        for name, p_value in zip(names, holm([raw[n][word] for n in names]), strict=True):
            result[name][word] = p_value
    return result


def _band_ratios(
    pairs: Mapping[str, Pair], octaves: RoadOctaves
) -> dict[str, dict[str, tuple[BandRatio, ...]]]:
    """By configuration and component; Holm over configurations and bands."""
    found: dict[str, dict[str, tuple[BandRatio, ...]]] = {name: {} for name in pairs}
    for word in dict.fromkeys(w for pair in pairs.values() for w in pair.spreads.log_variance):
        rows = {name: octaves.ratios(pair, word) for name, pair in pairs.items()}
        every = [one.p_value for row in rows.values() for one in row if one.p_value is not None]
        corrected = iter(holm(every))
        for name, row in rows.items():
            own = [next(corrected) for one in row if one.p_value is not None]
            if row:
                found[name][word] = tuple(with_p_values(row, own))
    return found


def _add_on(
    pair: Pair,
    rated: ConfigurationRating,
    p_values: tuple[Mapping[str, float], Mapping[str, float], Mapping[str, float]],
    bands: Mapping[str, tuple[BandRatio, ...]],
    rating: Rating,
    elasticity: float,
    speed_trace: SpeedTrace | None,
) -> AddOn:
    of_rms, of_equal, of_means = p_values
    logs = {word: one for word in of_rms if (one := pair.log_ratio(word)) is not None}
    ratios = {word: exponential(one.interval()) for word, one in logs.items()}
    deltas = {word: d.interval() for word in of_means if (d := pair.difference(word))}
    drag = deltas.get("drag")
    base = pair.mean(pair.other, "drag") if drag is not None else None
    change = drag.scaled(100 / base.value) if drag and base and base.value > 0 else None
    top, why_no_top = None, pair.why_missing("drag")
    if drag is not None and base is not None:
        top, why_no_top = top_speed_change_percent(rating, base.value, drag)
    lifts = _lift_balance(pair, rating)
    missing = _missing(pair, ratios, deltas, lifts)
    no_change = (
        pair.why_missing("drag") if drag is None else "the baseline's mean drag is not positive"
    )
    if change is None:
        missing["fuel_change_percent"] = no_change
    if top is None:
        missing["top_speed_change_percent"] = why_no_top
    return AddOn(
        pair.name,
        ratios,
        of_rms,
        of_equal,
        {word: float(np.expm1(one.detectable())) for word, one in logs.items()},
        bands,
        tuple(word for word in ratios if not pair.reliable(word)),
        drag,
        deltas.get("front lift"),
        deltas.get("rear lift"),
        of_means,
        lifts,
        change,
        None if change is None else fuel_change_percent(change, elasticity),
        top,
        road_load_change(
            rating.vehicle,
            None if base is None else base.value * rating.full_scale.area_m2,
            change,
            rating.speed_m_s,
            speed_trace,
            no_change,
        ),
        missing,
        rated,
    )


def _missing(
    pair: Pair,
    ratios: Mapping[str, Interval],
    deltas: Mapping[str, Interval],
    lifts: Mapping[str, AxleLift],
) -> dict[str, str]:
    """Why a ratio, a difference or a load is not there."""
    lacking = {f"delta_{word.replace(' ', '_')}": word for word in MEANS if word not in deltas}
    lacking |= {f"{word.replace(' ', '_')}_n": word for word in AXLES if word not in lifts}
    lacking |= {f"rms_ratio {w}": w for w in pair.spreads.log_variance if w not in ratios}
    return {key: pair.why_missing(word) for key, word in lacking.items()}


def _lift_balance(pair: Pair, rating: Rating) -> dict[str, AxleLift]:
    """Mean lift of each axle at the road speed, with the change where there is one to compare."""
    found = {}
    for word in (w for w in AXLES if w in pair.spreads.mean):
        mean = pair.mean(pair.name, word)
        delta = pair.difference(word) if pair.name != pair.other else None
        if mean is not None:
            change = None if delta is None else delta.interval()
            found[word] = axle_lift(rating, word, mean.interval(), change)
    return found
