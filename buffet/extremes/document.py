"""The extremes of a run as JSON."""

from __future__ import annotations

from buffet.extremes.result import Extremes, LoadChance, QuantityExtremes, WorstValue
from buffet.interval import Interval
from buffet.json_values import Document, interval, number
from buffet.road_speed import NO_ROAD


def document(found: Extremes) -> Document:
    """Of one run; values in the quantities' own units, and on the road beside them."""
    speed = found.road_speed_m_s
    return {
        "driving_time_s": found.driving_time_s,
        "road_speed_m_s": speed,
        "road_speed_why": None if speed is not None else NO_ROAD,
        "model_time_s": found.model_time_s,
        "time_over_record": found.times_record,
        "far_beyond_record": found.is_far,
        "holds_more": list(found.holds_more),
        "quantities": [_quantity(one) for one in found.quantities],
        "loads": [_load(one) for one in found.loads],
    }


def _quantity(one: QuantityExtremes) -> Document:
    factor = one.peak_factor
    return {
        "name": one.quantity.name,
        "unit": one.quantity.unit,
        "why": one.why,
        "to_hz": number(one.to_hz),
        "skewness": number(one.skewness),
        "excess_kurtosis": number(one.excess_kurtosis),
        "noise_share_of_rms": number(one.noise_share),
        "full_scale_factor": number(one.full_scale),
        "full_scale_unit": one.full_scale_unit,
        "largest": _worst(one.largest, one.full_scale),
        "smallest": _worst(one.smallest, one.full_scale),
        "peak_factor": None
        if factor is None
        else {
            "mean_periods": factor.periods,
            "bandwidth": factor.bandwidth,
            "davenport": factor.davenport,
            "davenport_scatter": factor.davenport_scatter,
            "davenport_why_not": factor.davenport_why,
            "crests_in_groups": factor.grouped,
        },
    }


def _worst(worst: WorstValue | None, factor: float | None) -> Document | None:
    if worst is None:
        return None
    tail = worst.tail
    return {
        "mode": number(worst.mode),
        "fractile_57": interval(worst.expected),
        "fractile_78": interval(worst.high),
        "full_scale_fractile_57": _scaled(worst.expected, factor),
        "full_scale_fractile_78": _scaled(worst.high, factor),
        "in_record": tail.furthest,
        "blocks": len(tail.extremes),
        "block_s": tail.block_s,
        "block_extremes": tail.extremes.tolist(),
        "power": tail.power,
        "reduced_mode": tail.mode,
        "reduced_scale": tail.scale,
        "plot_correlation": number(tail.correlation),
        "plot_p_value": number(tail.fit_p),
        "serial_correlation": number(tail.serial_correlation),
        "tail_untold": tail.is_untold,
    }


def _scaled(value: Interval, factor: float | None) -> Document | None:
    return None if factor is None else interval(value.scaled(factor))


def _load(one: LoadChance) -> Document:
    return {
        "quantity": one.load.quantity,
        "value": one.load.value,
        "unit": one.load.unit,
        "beyond": "above" if one.is_above else "below",
        "probability": interval(one.chance),
        "why": one.why,
    }
