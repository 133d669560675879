"""The sentence that explains a verdict: motion, frequency, speed, criterion."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from buffet.rating.criteria import Verdict
from buffet.rating.verdict import CriterionRating

if TYPE_CHECKING:
    from buffet.rating.shedding import Shedding

OPENING = {
    "likely": "Likely to be felt",
    "possible": "May be felt",
    "unlikely": "Not likely to be felt",
    "undetermined": "Cannot be told",
}


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
        return f"at least {rating.metric.value:.2g}{unit}"
    return f"{rating.metric.text()}{unit}"


def _shedding(shedding: Shedding) -> str:
    return (
        f"The wake sheds at {shedding.frequency_hz:.1f} Hz there "
        f"(St {shedding.strouhal.value:.3f}), {abs(shedding.distance) * 100:.0f} % "
        f"{'above' if shedding.distance > 0 else 'below'} the car's {shedding.mode} mode "
        f"({shedding.mode_hz:.1f} Hz)."
    )
