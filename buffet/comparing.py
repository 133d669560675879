"""Add-ons against the baseline: which differences are real, what they cost, which to fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.band_ratios import BandRatio, RoadOctaves
from buffet.differences import (
    EQUAL_WITHIN,
    MEANS,
    Differences,
    band_ratios,
    differences,
    felt_p_values,
)
from buffet.errors import NotRateableError
from buffet.interval import Interval
from buffet.pairs import Pair, Spreads, exponential
from buffet.rating.ranking import Ranking, rank
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.scatter import cells
from buffet.recommending import Recommendation, recommend
from buffet.rig_changes import RigChange, rig_change
from buffet.road_load.change import RoadLoadChange, road_load_change
from buffet.road_load.speed_trace import SpeedTrace
from buffet.run_spectra import RunResult
from buffet.shown import Shown
from buffet.tap_ratios import TapRatio, tap_ratios
from buffet.trade import (
    AxleLift,
    axle_lift,
    fuel_change_percent,
    fuel_elasticity,
    top_speed_change_percent,
)
from buffet.trade_offs import TradeOff, trade_offs
from ingest import FORCES, MOMENTS, Campaign

COMPARED = (*FORCES, *MOMENTS)
AXLES = ("front lift", "rear lift")


@dataclass(frozen=True)
class ComparisonSettings:
    """What the user may choose."""

    # Relative change of fuel per relative change of drag; None: the usual one at the road speed.
    fuel_elasticity: float | None = None
    equal_within: float = EQUAL_WITHIN  # relative difference of RMS that passes for none
    # A drive whose energy is worked out by road load, beside that at the road speed.
    speed_trace: SpeedTrace | None = None


@dataclass(frozen=True)
class AddOn:
    """One configuration beside the baseline; differences are add-on minus baseline."""

    name: str
    rms_ratio: Mapping[str, Interval]  # by component
    p_value: Mapping[str, float]  # corrected for the number of configurations
    # Of being further apart in RMS than what passes for equal, by component; corrected likewise.
    equivalence_p_value: Mapping[str, float]
    detectable: Mapping[str, float]  # relative change of RMS that would be shown, by component
    # Runs at each operating point that would show what no longer passes for equal; None: unknown.
    runs_to_show: Mapping[str, int | None]
    rig: Mapping[str, RigChange]  # components part of whose change is not the flow's
    bands: Mapping[str, tuple[BandRatio, ...]]  # by component; corrected for their number too
    taps: tuple[TapRatio, ...]  # corrected for their number too
    # What is felt over what is felt of the baseline, and its p-value; None where not ranked.
    felt_ratio: Interval | None
    felt_p_value: float | None
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
class Comparison(Shown):
    """All add-ons against the baseline at one road speed."""

    baseline: ConfigurationRating
    speed_m_s: float
    baseline_lift: Mapping[str, AxleLift]  # front and rear, over all its runs
    add_ons: tuple[AddOn, ...]
    repeats: int  # runs beyond the first of an operating point, all configurations together
    equal_within: float  # relative difference of RMS that passes for none
    ranking: Ranking
    trade_offs: tuple[TradeOff, ...]
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


def compare(rating: Rating, settings: ComparisonSettings | None = None) -> Comparison:
    """Compare every configuration with the campaign's baseline.

    Raises
    ------
    NotRateableError
        The campaign names no baseline, or none of the baseline's runs could be read.
    """
    analysis, settings = rating.analysis, settings or ComparisonSettings()
    name = require_baseline(analysis.campaign)
    rated = {configuration.name: configuration for configuration in rating.configurations}
    if name not in rated:
        raise _lost_baseline(analysis, name)
    words = _components(analysis)
    spreads = Spreads.of(analysis, words)

    def between(one: str, other: str) -> Pair:
        return Pair(analysis, one, other, spreads)

    pairs = {c: between(c, name) for c in analysis.campaign.configurations if c in rated}
    alone = pairs.pop(name)
    ranking = rank(rating)
    shown = _Shown.of(rating, pairs, words, settings, ranking)
    add_ons = tuple(_add_on(pair, rated[c], shown, ranking, rating) for c, pair in pairs.items())
    return Comparison(
        rated[name],
        rating.speed_m_s,
        _lift_balance(alone, rating),
        add_ons,
        sum(len(runs) - 1 for runs in cells(analysis).values()),
        settings.equal_within,
        ranking,
        trade_offs(rating, ranking, between),
        shown.fuel_elasticity,
        recommend(rated[name], add_ons, ranking, between, settings.equal_within),
        rating,
        settings.speed_trace,
        compare(rating.with_tunnel, settings) if rating.with_tunnel else None,
    )


@dataclass(frozen=True)
class _Shown:
    """What holds for all pairs together, since it is corrected for their number."""

    settings: ComparisonSettings
    fuel_elasticity: float
    differences: Mapping[str, Differences]
    bands: Mapping[str, Mapping[str, tuple[BandRatio, ...]]]
    taps: Mapping[str, tuple[TapRatio, ...]]
    felt: Mapping[str, float]  # p-value of no difference of what is felt, of those ranked
    results: Mapping[str, RunResult]  # by run

    @classmethod
    def of(
        cls,
        rating: Rating,
        pairs: Mapping[str, Pair],
        words: Sequence[str],
        settings: ComparisonSettings,
        ranking: Ranking,
    ) -> _Shown:
        analysis = rating.analysis
        usual = fuel_elasticity(rating.speed_m_s)
        return cls(
            settings,
            usual if settings.fuel_elasticity is None else settings.fuel_elasticity,
            differences(pairs, words, settings.equal_within),
            band_ratios(pairs, RoadOctaves(analysis, rating.speed_m_s)),
            tap_ratios(analysis, pairs),
            felt_p_values(pairs, ranking),
            {result.analysis.run.number: result for result in rating.results},
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


def _add_on(
    pair: Pair,
    rated: ConfigurationRating,
    shown: _Shown,
    ranking: Ranking,
    rating: Rating,
) -> AddOn:
    own = shown.differences[pair.name]
    logs = {word: one for word in own.rms if (one := pair.log_ratio(word)) is not None}
    ratios = {word: exponential(one.interval()) for word, one in logs.items()}
    deltas = {word: d.interval() for word in own.means if (d := pair.difference(word))}
    lifts = _lift_balance(pair, rating)
    costs = _drag_costs(pair, deltas.get("drag"), rating, shown)
    margin = float(np.log1p(shown.settings.equal_within))
    return AddOn(
        pair.name,
        ratios,
        own.rms,
        own.equivalence,
        {word: float(np.expm1(one.detectable())) for word, one in logs.items()},
        {word: pair.runs_to_show(one, margin) for word, one in logs.items()},
        {word: part for word in logs if (part := rig_change(pair, word, shown.results))},
        shown.bands[pair.name],
        shown.taps[pair.name],
        None if pair.name not in shown.felt else ranking.ratio(pair.name, pair.other),
        shown.felt.get(pair.name),
        tuple(word for word in ratios if not pair.reliable(word)),
        deltas.get("drag"),
        deltas.get("front lift"),
        deltas.get("rear lift"),
        own.means,
        lifts,
        costs.change_percent,
        costs.fuel_percent,
        costs.top_speed_percent,
        costs.road_load,
        _missing(pair, ratios, deltas, lifts) | costs.missing,
        rated,
    )


@dataclass(frozen=True)
class _DragCosts:
    """What a difference of mean drag costs, and why some of it is not told."""

    change_percent: Interval | None
    fuel_percent: Interval | None
    top_speed_percent: Interval | None
    road_load: RoadLoadChange
    missing: dict[str, str]


def _drag_costs(pair: Pair, drag: Interval | None, rating: Rating, shown: _Shown) -> _DragCosts:
    base = pair.mean(pair.other, "drag") if drag is not None else None
    why_no_change = why_no_top = pair.why_missing("drag")
    change = top = None
    if drag is not None and base is not None:
        top, why_no_top = top_speed_change_percent(rating, base.value, drag)
        why_no_change = "the baseline's mean drag is not positive"
        change = drag.scaled(100 / base.value) if base.value > 0 else None
    missing = {}
    if change is None:
        missing["fuel_change_percent"] = why_no_change
    if top is None:
        missing["top_speed_change_percent"] = why_no_top
    road_load = road_load_change(
        rating.vehicle,
        None if base is None else base.value * rating.full_scale.area_m2,
        change,
        rating.speed_m_s,
        shown.settings.speed_trace,
        why_no_change,
    )
    fuel = None if change is None else fuel_change_percent(change, shown.fuel_elasticity)
    return _DragCosts(change, fuel, top, road_load, missing)


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
