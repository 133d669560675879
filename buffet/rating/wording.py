"""The sentence that explains a verdict: motion, frequency, speed, criterion."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from buffet.phrases import by_reason
from buffet.rating.bursts import BURSTS
from buffet.rating.calibration import CALIBRATION
from buffet.rating.car_spread import CAR
from buffet.rating.criteria import Verdict
from buffet.rating.felt import Felt, Shaking
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
    RECORDS: "longer records, or more runs",
    RUN_TO_RUN: "more repeats",
    WIND_SPEED: "runs nearer to the road's Reynolds number",
    CAR: "the car's own values, measured, with a narrower [spread]",
    CALIBRATION: "a better calibration of balance and wind speed",
    BURSTS: "longer records, which hold more bursts",
}


def budget_text(rating: CriterionRating) -> str:
    """Which share of a metric's uncertainty comes from where; empty where it has none."""
    if not rating.budget:
        return ""
    ranked = sorted(rating.budget.items(), key=lambda item: -item[1])
    told = [f"{source} {share:.0%}" for source, share in ranked if share >= LEAST_TOLD]
    advice = f" {found} would narrow it most." if (found := remedy(rating)) else ""
    return f"Variance of {rating.criterion.id}: {', '.join(told)}.{advice}"


def remedy(rating: CriterionRating) -> str:
    """What would narrow a metric's interval most; empty where its uncertainty is not known."""
    text = REMEDIES[largest_source(rating)] if rating.budget else ""
    return text[:1].upper() + text[1:]


def largest_source(rating: CriterionRating) -> str:
    """From where most of a metric's variance comes; the records' length where it is not known."""
    known = {source: share for source, share in rating.budget.items() if source in REMEDIES}
    return max(known, key=lambda source: known[source], default=RECORDS)


def not_rated_text(rows: Sequence[CriterionRating]) -> str:
    """Criteria without a metric, by the reason; empty where there is none."""
    reasons = by_reason(
        (row.why or "not measured", row.criterion.id) for row in rows if row.metric is None
    )
    told = [f"{', '.join(ids)} ({why})" for why, ids in reasons.items()]
    return f"Not rated: {'; '.join(told)}." if told else ""


def onsets_text(rows: Sequence[CriterionRating]) -> str:
    """From which road speed on each criterion reaches its lower limit, the first one first."""
    onsets = [row.onset for row in rows if row.onset is not None and row.onset.covered_m_s]
    reached = [(one.speed_m_s, one.criterion) for one in onsets if one.speed_m_s is not None]
    if not onsets or not reached:
        return ""
    told = [
        f"{name} {speed.text(factor=3.6, between='…')}"
        for speed, name in sorted(reached, key=lambda pair: pair[0].value)
    ]
    if len(reached) < len(onsets):
        told.append("the others not in the range covered")
    return f"Onset by criterion, km/h: {', '.join(told)}."


def felt_text(felt: Felt | None) -> str:
    """Accelerations at the seat, their total value, and whether the r.m.s. value says enough."""
    if felt is None:
        return ""
    along, about = (
        ", ".join(f"{axis} {felt.axes[axis].value:.2g}" for axis in axes if axis in felt.axes)
        for axes in (("x", "y", "z"), ("roll", "pitch", "yaw"))
    )
    words = " or ".join(one.words for one in felt.reactions)
    return (
        f"At the seat, weighted r.m.s.: {along} m/s²{f'; {about} rad/s²' if about else ''}; total "
        f"value {felt.total.text()} m/s², {words} (ISO 2631-1 C.2.3); upright "
        f"{felt.over_threshold:.2g} times what is just felt.{_shaking(felt.shaking)}"
    )


def _shaking(shaking: Shaking | None) -> str:
    if shaking is None or not shaking.exceeded:
        return ""
    tests = ", ".join(f"{t.measure} {float(t.value[0]):.2g}" for t in shaking.exceeded)
    return (
        f" The r.m.s. value alone tells too little (ISO 2631-1 6.3: {tests}): largest second "
        f"{shaking.largest_running_rms_m_s2:.2g} m/s², dose {shaking.dose_m_s1_75:.2g} m/s^1.75 in "
        f"{shaking.duration_s:.0f} s on the road."
    )


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
    text = (
        f"The wake sheds at {shedding.frequency_hz:.1f} Hz there (St {shedding.strouhal.value:.3f})"
    )
    if shedding.distance is None:
        return f"{text}."
    return (
        f"{text}, {abs(shedding.distance) * 100:.0f} % "
        f"{'above' if shedding.distance > 0 else 'below'} the car's {shedding.mode} mode "
        f"({shedding.mode_hz:.1f} Hz)."
    )
