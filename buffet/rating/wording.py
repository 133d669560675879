"""The sentence that explains a verdict: motion, frequency, speed, criterion."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from buffet.rating.car_spread import CAR
from buffet.rating.criteria import Verdict
from buffet.rating.metric_curve import RECORDS
from buffet.rating.scatter import RUN_TO_RUN, WIND_SPEED
from buffet.rating.verdict import CriterionRating

if TYPE_CHECKING:
    from buffet.rating.shedding import Shedding

LEAST_TOLD = 0.005  # share of a variance
OPENING = {
    "likely": "Likely to be felt",
    "possible": "May be felt",
    "unlikely": "Not likely to be felt",
    "undetermined": "Cannot be told",
}


# What narrows an interval, by the source that widens it most.
REMEDIES = {
    RECORDS: "longer records, or more runs,",
    RUN_TO_RUN: "more repeats",
    WIND_SPEED: "runs nearer to the road's Reynolds number",
    CAR: "the car's own values, measured, with a narrower [spread],",
}


def budget_text(rating: CriterionRating) -> str:
    """Which share of a metric's uncertainty comes from where; empty where it has none."""
    if not rating.budget:
        return ""
    ranked = sorted(rating.budget.items(), key=lambda item: -item[1])
    told = [f"{source} {share:.0%}" for source, share in ranked if share >= LEAST_TOLD]
    remedy = REMEDIES.get(ranked[0][0])
    advice = f" {remedy[0].upper()}{remedy[1:]} would narrow it most." if remedy else ""
    return f"Variance of {rating.criterion.id}: {', '.join(told)}.{advice}"


def explain(
    verdict: Verdict,
    decisive: CriterionRating,
    shedding: Shedding | None,
    speed_m_s: float,
    remarks: Sequence[str],
) -> str:
    """One or two sentences in words a driver's engineer uses."""
    if decisive.metric is None:
        return " ".join([f"{OPENING['undetermined']}: {decisive.why}.", *remarks])
    row = decisive.criterion
    text = f"{OPENING[verdict]} at {speed_m_s * 3.6:.0f} km/h: {row.motion}, {_metric(decisive)}"
    if decisive.octave_hz is not None:
        text += f" in the octave {decisive.octave_hz[0]:.1f}–{decisive.octave_hz[1]:.1f} Hz"
    text += f" (possible from {row.possible:g}, likely from {row.likely:g}; {row.id})"
    if decisive.why is not None:
        text += f"; {decisive.why}"
    text += "."
    if shedding is not None:
        text += f" {_shedding(shedding)}"
    return " ".join([text, *remarks])


def _metric(rating: CriterionRating) -> str:
    assert rating.metric is not None
    unit = "" if rating.criterion.unit == "1" else f" {rating.criterion.unit}"
    if rating.verdict == "undetermined":
        digits = 3 if rating.criterion.is_level else 2
        return f"at least {rating.metric.value:.{digits}g}{unit}"
    return f"{rating.metric.text()}{unit}"


def _shedding(shedding: Shedding) -> str:
    return (
        f"The wake sheds at {shedding.frequency_hz:.1f} Hz there "
        f"(St {shedding.strouhal.value:.3f}), {abs(shedding.distance) * 100:.0f} % "
        f"{'above' if shedding.distance > 0 else 'below'} the car's {shedding.mode} mode "
        f"({shedding.mode_hz:.1f} Hz)."
    )
