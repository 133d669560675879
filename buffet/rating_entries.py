"""What the rating's document says of a criterion, and of what is felt."""

from __future__ import annotations

from buffet.json_values import Document, interval, number
from buffet.rating.felt import Felt, Shaking
from buffet.rating.verdict import CriterionRating


def criterion_entries(
    rating: CriterionRating, as_read: CriterionRating | None, up_to_m_s: float
) -> Document:
    """One criterion; `as_read`: the same with the tunnel's part, where that is taken out."""
    row, onset = rating.criterion, rating.onset
    return {
        "id": row.id,
        "metric": interval(rating.metric),
        "metric_with_tunnel": interval(as_read.metric) if as_read else None,
        "unit": row.unit,
        "limit_possible": row.possible,
        "limit_likely": row.likely,
        "p_possible": number(rating.p_possible),
        "p_likely": number(rating.p_likely),
        "verdict": rating.verdict,
        "why": rating.why,
        "onset_speed_m_s": interval(onset.speed_m_s) if onset else None,
        "onset_why": onset.why(up_to_m_s) if onset else None,
        "octave_hz": None if rating.octave_hz is None else list(rating.octave_hz),
        "budget": {source: number(share) for source, share in rating.budget.items()},
        "road_band_hz": list(row.band_hz),
        "validity": row.validity,
        "source": row.source,
    }


def felt_entries(felt: Felt | None) -> Document | None:
    """What is felt at the seat; null where upright motion was not measured."""
    if felt is None:
        return None
    return {
        "weighted_rms": {axis: interval(one) for axis, one in felt.axes.items()},
        "missing": dict(felt.missing),
        "total_m_s2": interval(felt.total),
        "reactions": [
            {"low_m_s2": one.low_m_s2, "high_m_s2": number(one.high_m_s2), "words": one.words}
            for one in felt.reactions
        ],
        "over_perception_threshold": felt.over_threshold,
        "over_time": _shaking(felt.shaking),
    }


def _shaking(shaking: Shaking | None) -> Document | None:
    if shaking is None:
        return None
    return {
        "duration_s": shaking.duration_s,
        "rms_m_s2": shaking.rms_m_s2,
        "largest_running_rms_m_s2": shaking.largest_running_rms_m_s2,
        "dose_m_s1_75": shaking.dose_m_s1_75,
        "rms_is_enough": not shaking.exceeded,
        "tests": [
            {"measure": t.measure, "value": number(float(t.value[0])), "limit": t.limit}
            for t in shaking.tests
        ],
    }
