"""A record's length and what would be needed, as JSON."""

from __future__ import annotations

from buffet.json_values import Document, number
from buffet.length.needed import Needed
from buffet.length.part import Length, QuantityLength


def document(found: Length) -> Document:
    """Of one run."""
    return {
        "record_s": found.record_s,
        "within": found.within,
        "trends_told": found.trends_told,
        "trends_why": None if found.trends_told else "the record has too few segments",
        "steady": found.is_steady,
        "strouhal_frequency": _needed(found.strouhal),
        "strouhal_why": found.strouhal_why,
        "quantities": [_quantity(one) for one in found.quantities],
    }


def _quantity(one: QuantityLength) -> Document:
    return {
        "name": one.quantity.name,
        "integral_time_scale_s": number(one.time_scale_s),
        "independent_samples": number(one.independent),
        "slow_changes": one.is_slow,
        "rms": _needed(one.rms),
        "rms_why": one.rms_why,
        "mean_over_rms": _needed(one.mean),
        "mean_why": one.mean_why,
        "drifts": list(one.drifts),
    }


def _needed(needed: Needed | None) -> Document | None:
    if needed is None:
        return None
    return {
        "half_width": needed.half_width,
        "reached": needed.is_reached,
        "times_record": needed.times,
        "record_s": needed.record_s,
    }
