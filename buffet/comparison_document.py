"""The JSON document of a comparison."""

from __future__ import annotations

from collections.abc import Mapping

from buffet.band_ratios import BandRatio
from buffet.comparing import AXLES, AddOn, Comparison
from buffet.documents import blockage_entries, failures, lines_entries
from buffet.doubts import Doubt
from buffet.json_values import Document, interval, number
from buffet.rating.ranking import Ranking
from buffet.road_load.document import change_entries, road_load_entries
from buffet.road_load.energy import RoadLoadModel
from buffet.road_wording import road_entries
from buffet.trade import AxleLift
from buffet.trade_offs import TradeOff
from buffet.wind_wording import RATIOS_WITHOUT_WIND, wind_entries


def comparison_document(comparison: Comparison) -> Document:
    """What `compare` prints."""
    return {
        "format": "buffet/comparison",
        "version": 1,
        "baseline": comparison.baseline.name,
        "speed_m_s": comparison.speed_m_s,
        **road_entries(comparison.rating.road, comparison.rating.road_track_m),
        **wind_entries(comparison.rating.wind),
        "wind_remark": None if comparison.rating.wind is None else RATIOS_WITHOUT_WIND,
        **blockage_entries(comparison.rating.analysis.blockage),
        **lines_entries(comparison.rating.analysis.runs),
        "baseline_lift": _lift_balance(comparison.baseline_lift),
        "without_tunnel": comparison.with_tunnel is not None,
        "configurations": [
            _add_on(one, comparison.as_read(one.name)) for one in comparison.add_ons
        ],
        "equal_within_percent": 100 * comparison.equal_within,
        "ranking": _ranking(comparison.ranking),
        "trade_offs": [_trade_off(one) for one in comparison.trade_offs],
        "repeated": comparison.repeated,
        "repeats": comparison.repeats,
        "fuel_elasticity": comparison.fuel_elasticity,
        **road_load_entries(RoadLoadModel.of(comparison.rating.vehicle), comparison.speed_trace),
        "recommendation": {
            "configuration": comparison.recommendation.configuration,
            "why": comparison.recommendation.why,
            "rule_of_thumb": comparison.recommendation.rule_of_thumb,
            "doubts": [_doubt(one) for one in comparison.recommendation.doubts],
        },
        "failed": failures(comparison.rating.analysis.failed),
    }


def _add_on(add_on: AddOn, as_read: AddOn | None) -> Document:
    return {
        "name": add_on.name,
        "rms_ratio": {word: interval(ratio) for word, ratio in add_on.rms_ratio.items()},
        "rms_ratio_with_tunnel": None
        if as_read is None
        else {word: interval(ratio) for word, ratio in as_read.rms_ratio.items()},
        "p_value": dict(add_on.p_value),
        "equivalence_p_value": dict(add_on.equivalence_p_value),
        "detectable_change_percent": {
            word: 100 * change for word, change in add_on.detectable.items()
        },
        "runs_to_show": dict(add_on.runs_to_show),
        "not_flow": {
            word: {"share": part.share, "frequency_hz": part.frequency_hz, "what": part.what}
            for word, part in add_on.rig.items()
        },
        "rms_ratio_of_taps": [
            {
                "name": one.name,
                "ratio": interval(one.ratio),
                "p_value": number(one.p_value),
                "why": one.why,
            }
            for one in add_on.taps
        ],
        "felt_ratio": interval(add_on.felt_ratio),
        "felt_p_value": number(add_on.felt_p_value),
        "rms_ratio_in_bands": {
            word: [_band_ratio(band) for band in bands] for word, bands in add_on.bands.items()
        },
        "unreliable": list(add_on.unreliable),
        "delta_drag": interval(add_on.delta_drag),
        "delta_front_lift": interval(add_on.delta_front_lift),
        "delta_rear_lift": interval(add_on.delta_rear_lift),
        "delta_p_value": dict(add_on.delta_p_value),
        **_lift_balance(add_on.lift_balance, deltas=True),
        "drag_change_percent": interval(add_on.drag_change_percent),
        "fuel_change_percent": interval(add_on.fuel_change_percent),
        "top_speed_change_percent": interval(add_on.top_speed_change_percent),
        "road_load": change_entries(add_on.road_load),
        "missing": dict(add_on.missing),
        "verdict": add_on.rating.verdict,
    }


def _ranking(ranking: Ranking) -> Document:
    return {
        "criteria": list(ranking.criteria),
        "left_out": dict(ranking.left_out),
        "configurations": [
            {
                "name": one.name,
                "share_of_limit": interval(one.share),
                "criterion": one.criterion,
                "p_best": one.p_best,
            }
            for one in ranking.ranked
        ],
        "not_ranked": dict(ranking.unranked),
    }


def _trade_off(one: TradeOff) -> Document:
    return {
        "name": one.name,
        "verdict": one.verdict,
        "share_of_limit": interval(one.felt),
        "drag_n": interval(one.drag_n),
        "rear_lift_n": interval(one.rear_lift_n),
        "dominated_by": None if one.dominated_by is None else list(one.dominated_by),
    }


def _doubt(one: Doubt) -> Document:
    return {"what": one.text, "settled_by": one.settled_by}


def _band_ratio(band: BandRatio) -> Document:
    return {
        "road_low_hz": band.road_low_hz,
        "road_high_hz": band.road_high_hz,
        "ratio": interval(band.ratio),
        "p_value": number(band.p_value),
        "why": band.why,
    }


def _lift_balance(axles: Mapping[str, AxleLift], *, deltas: bool = False) -> Document:
    """Front and rear lift as loads; null where not measured."""
    found: Document = {}
    for word in AXLES:
        axle = axles.get(word) or AxleLift(None, None, None, None)
        name = word.replace(" ", "_")
        found[f"{name}_n"] = interval(axle.lift_n)
        found[f"{name}_share_of_axle_weight"] = interval(axle.share)
        if deltas:
            found[f"delta_{name}_n"] = interval(axle.delta_n)
            found[f"delta_{name}_share_of_axle_weight"] = interval(axle.delta_share)
    return found
