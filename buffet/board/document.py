"""The board in JSON: every configuration over road speed, from one rating and its comparison.

What it holds at a speed is what the rating's own modules say there, as in the road-speed table. A
rating at that speed may differ in the last digit: scatter between runs and wind speeds is that of
the rated speed, and bursts and the car's spread are worked out at a few speeds, the rated one among
them (measured: bursts by up to 2.5 %, all else by 0.3 %, limits by 2.5 %).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from buffet.board.at_speed import AtSpeed, at_speeds
from buffet.board.crossing_entries import mode_entries, ray_entries
from buffet.cautions import cautions
from buffet.comparing import AddOn, Comparison
from buffet.crossings.document import crossings_entries
from buffet.documents import failures
from buffet.json_values import Document, interval, number
from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.rate import ConfigurationRating, Rating
from buffet.rating.verdict import CriterionRating
from buffet.road_wording import road_entries
from buffet.wind_wording import wind_entries

Array = NDArray[np.float64]

LOWEST_KM_H, HIGHEST_KM_H, STEP_KM_H = 60, 220, 5
# Relative distance within which two road speeds are the same.
SAME_SPEED = 1e-6
NO_BASELINE = "the campaign states no baseline that could be read"
IS_BASELINE = "it is the baseline"


def board_document(rating: Rating, comparison: Comparison | None) -> Document:
    """What the board shows, of a rating whose curves span road speed.

    Parameters
    ----------
    comparison : of the same rating; None where there is no baseline
    """
    indices = board_indices(rating)
    return {
        "format": "buffet/board",
        "version": 1,
        "title": rating.analysis.campaign.title,
        "baseline": None if comparison is None else comparison.baseline.name,
        "rated_speed_m_s": rating.speed_m_s,
        "speeds_m_s": _speeds(rating)[indices].tolist(),
        "vehicle": {"name": rating.vehicle.name, "source": rating.vehicle.source},
        **road_entries(rating.road, rating.road_track_m),
        **wind_entries(rating.wind),
        "criteria_source": rating.criteria.source,
        "criteria": [_criterion(row) for row in rating.criteria.rows],
        "modes": mode_entries(rating, _speeds(rating)[indices]),
        "configurations": [
            _configuration(one, rating, comparison, indices) for one in rating.configurations
        ],
        "recommendation": _recommendation(comparison),
        "recommendation_why": NO_BASELINE if comparison is None else None,
        "cautions": list(cautions(in_wind=rating.wind is not None)),
        "left_out": list(rating.left_out),
        "failed": failures(rating.analysis.failed),
    }


def board_indices(rating: Rating) -> list[int]:
    """Where the rating's curves hold the board's road speeds: 60 to 220 km/h by 5, and the rated.

    Speeds beyond the onset search are left out.
    """
    speeds = _speeds(rating)
    by_fives = np.arange(LOWEST_KM_H, HIGHEST_KM_H + 1, STEP_KM_H) / 3.6
    wanted = [*by_fives.tolist(), rating.speed_m_s]
    nearest = [int(np.argmin(np.abs(speeds - speed))) for speed in wanted]
    return _apart(
        speeds,
        [i for i, v in zip(nearest, wanted, strict=True) if abs(speeds[i] - v) <= SAME_SPEED * v],
    )


def _apart(speeds: Array, indices: list[int]) -> list[int]:
    """In rising order, each speed once."""
    kept: list[int] = []
    for index in sorted(indices):
        if not kept or speeds[index] > speeds[kept[-1]] * (1 + 2 * SAME_SPEED):
            kept.append(index)
    return kept


def _speeds(rating: Rating) -> Array:
    return rating.configurations[0].curves.setting.speeds_m_s


def _criterion(row: Criterion) -> Document:
    return {
        "id": row.id,
        "motion": row.motion,
        "unit": row.unit,
        "limit_possible": row.possible,
        "limit_likely": row.likely,
        "road_band_hz": list(row.band_hz),
        "validity": row.validity,
        "source": row.source,
    }


def _configuration(
    one: ConfigurationRating, rating: Rating, comparison: Comparison | None, indices: list[int]
) -> Document:
    told = at_speeds(one, rating, indices)
    low, high = one.curves.band_hz
    up_to = float(one.curves.setting.speeds_m_s.max())
    return {
        "name": one.name,
        "is_baseline": one.name == rating.analysis.campaign.baseline,
        "runs": [run.run.number for run in one.curves.runs],
        "remarks": list(one.remarks),
        "onset_speed_m_s": interval(one.onset.speed_m_s) if one.onset else None,
        "onset_why": one.onset_why,
        "usable_band_hz": [[float(low[i]), float(high[i])] for i in indices],
        "at": [_at(at) for at in told],
        "criteria": [
            _curve(curve, [at.rows[place] for at in told], one.criteria[place], up_to)
            for place, curve in enumerate(one.curves.metrics)
        ],
        "rays": ray_entries(one, one.curves.setting.speeds_m_s[indices]),
        **crossings_entries(one.crossings),
        **_costs(one, comparison),
    }


def _at(at: AtSpeed) -> Document:
    """The verdict at one speed, and the criterion that decides."""
    decisive = at.decisive
    return {
        "speed_m_s": at.speed_m_s,
        "verdict": at.verdict,
        "criterion": None if decisive is None else decisive.criterion.id,
        "why": at.why,
        "p_possible": None if decisive is None else number(decisive.p_possible),
        "p_likely": None if decisive is None else number(decisive.p_likely),
    }


def _curve(
    curve: MetricCurve, rows: list[CriterionRating], rated: CriterionRating, up_to_m_s: float
) -> Document:
    """One criterion over the board's speeds."""
    onset = rated.onset
    metrics = [row.metric for row in rows]
    return {
        "id": curve.criterion.id,
        "value": [None if one is None else number(one.value) for one in metrics],
        "low": [None if one is None else number(one.low) for one in metrics],
        "high": [None if one is None else number(one.high) for one in metrics],
        "level": next((one.level for one in metrics if one is not None), None),
        "verdict": [row.verdict for row in rows],
        "p_possible": [number(row.p_possible) for row in rows],
        "p_likely": [number(row.p_likely) for row in rows],
        "why": [row.why for row in rows],
        "onset_speed_m_s": interval(onset.speed_m_s) if onset else None,
        "onset_why": onset.why(up_to_m_s) if onset else None,
    }


def _costs(one: ConfigurationRating, comparison: Comparison | None) -> Document:
    """What it changes against the baseline at the rated speed."""
    if comparison is None:
        return {"costs": None, "costs_why": NO_BASELINE}
    found = next((add_on for add_on in comparison.add_ons if add_on.name == one.name), None)
    if found is None:
        return {"costs": None, "costs_why": IS_BASELINE}
    return {"costs": _of_add_on(found), "costs_why": None}


def _of_add_on(found: AddOn) -> Document:
    return {
        "delta_drag": interval(found.delta_drag),
        "delta_front_lift": interval(found.delta_front_lift),
        "delta_rear_lift": interval(found.delta_rear_lift),
        "drag_change_percent": interval(found.drag_change_percent),
        "fuel_change_percent": interval(found.fuel_change_percent),
        "top_speed_change_percent": interval(found.top_speed_change_percent),
        "missing": dict(found.missing),
    }


def _recommendation(comparison: Comparison | None) -> Document | None:
    if comparison is None:
        return None
    chosen = comparison.recommendation
    return {
        "configuration": chosen.configuration,
        "why": chosen.why,
        "rule_of_thumb": chosen.rule_of_thumb,
        "doubts": [{"what": one.text, "settled_by": one.settled_by} for one in chosen.doubts],
    }
