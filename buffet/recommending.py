"""Which configuration to fit, and why; nothing rests on a difference that is not there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buffet.interval import Interval
from buffet.rating.criteria import Verdict
from buffet.rating.rate import ConfigurationRating

if TYPE_CHECKING:
    from buffet.comparing import AddOn

SIGNIFICANT = 0.05
# Least shaking first; what cannot be told is never recommended.
BEST_FIRST: tuple[Verdict, ...] = ("unlikely", "possible", "likely")
# The components in which buffeting of the rear shows, the most telling first.
TELLING = ("rear lift", "lift")


@dataclass(frozen=True)
class Recommendation:
    """The configuration to fit, or None, and the reason."""

    configuration: str | None
    why: str


def recommend(baseline: ConfigurationRating, add_ons: Sequence[AddOn]) -> Recommendation:
    """Least likely to be felt, and among equals least drag; nothing where nothing is better."""
    if baseline.verdict == "unlikely":
        return Recommendation(
            baseline.name,
            "the baseline is not likely to be felt at this speed, so no add-on is needed",
        )
    better = [add_on for add_on in add_ons if _improves(add_on, baseline)]
    if not better:
        return Recommendation(
            None,
            "no add-on has a lower verdict than the baseline together with a fluctuation that is "
            f"lower beyond doubt (p < {SIGNIFICANT:g} after correction)",
        )
    best = min(better, key=_rank)
    return Recommendation(best.name, f"{_gain(best, baseline)}; {_cost(best)}")


def _improves(add_on: AddOn, baseline: ConfigurationRating) -> bool:
    if add_on.rating.verdict not in BEST_FIRST:
        return False
    if baseline.verdict in BEST_FIRST and BEST_FIRST.index(
        add_on.rating.verdict
    ) >= BEST_FIRST.index(baseline.verdict):
        return False
    word = _telling(add_on)
    if word is None or add_on.p_value[word] >= SIGNIFICANT:
        return False
    return add_on.rms_ratio[word].value < 1


def _telling(add_on: AddOn) -> str | None:
    return next((word for word in TELLING if word in add_on.p_value), None)


def _rank(add_on: AddOn) -> tuple[int, float]:
    drag = add_on.delta_drag.value if add_on.delta_drag else 0.0
    return BEST_FIRST.index(add_on.rating.verdict), drag


def _gain(add_on: AddOn, baseline: ConfigurationRating) -> str:
    word = _telling(add_on)
    assert word is not None
    ratio = add_on.rms_ratio[word]
    return (
        f"{add_on.rating.verdict} instead of {baseline.verdict}: its {word} fluctuates "
        f"{ratio.text()} times as much as the baseline's (p {_p(add_on.p_value[word])})"
    )


def _cost(add_on: AddOn) -> str:
    parts = []
    if (drag := add_on.drag_change_percent) is not None:
        real = _real(drag)
        parts.append(f"drag {drag.text(sign=True)} %" if real else "no drag difference is shown")
        if real and add_on.fuel_change_percent is not None:
            parts.append(f"fuel {add_on.fuel_change_percent.value:+.1f} % at this speed")
    for name, delta in (
        ("front lift", add_on.delta_front_lift),
        ("rear lift", add_on.delta_rear_lift),
    ):
        if delta is not None and _real(delta):
            parts.append(f"{name} coefficient {delta.text(sign=True)}")
    known = (add_on.delta_drag, add_on.delta_front_lift, add_on.delta_rear_lift)
    if all(delta is None for delta in known):
        return "what it costs was not measured"
    if add_on.delta_drag is None:
        parts.insert(0, "drag was not measured in every run")
    return "it costs: " + ", ".join(parts) if parts else "no change of drag or lift is shown"


def _real(interval: Interval) -> bool:
    """Whether zero lies outside the interval."""
    return (
        interval.low is not None
        and interval.high is not None
        and not (interval.low <= 0 <= interval.high)
    )


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"= {value:.3f}"
