"""Which configuration to fit, and why; nothing rests on a difference that is not there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from buffet.holm import holm
from buffet.pairs import Estimate, Pair
from buffet.phrases import listed
from buffet.rating.criteria import Verdict
from buffet.rating.rate import ConfigurationRating

if TYPE_CHECKING:
    from buffet.comparing import AddOn

Between = Callable[[str, str], Pair]

SIGNIFICANT = 0.05
# Least shaking first; what cannot be told is never recommended.
BEST_FIRST: tuple[Verdict, ...] = ("unlikely", "possible", "likely")
# The components in which buffeting of the rear shows, the most telling first.
TELLING = ("rear lift", "lift")
# Common practice, no source; quoted only beside numbers that agree.
SHALLOW_TAIL = "a smooth, shallow tail without a lip tends to lower drag and to raise rear lift"
SMALL_SPOILER = "a small rear spoiler tends to take rear lift away"


@dataclass(frozen=True)
class Recommendation:
    """The configuration to fit, or None, and the reason."""

    configuration: str | None
    why: str
    rule_of_thumb: str | None = None  # of the trade, where what was measured agrees


def recommend(
    baseline: ConfigurationRating, add_ons: Sequence[AddOn], between: Between
) -> Recommendation:
    """Least likely to be felt, and among equals least drag; nothing where nothing is better.

    Parameters
    ----------
    between : gives the pair of two configurations, the first against the second
    """
    if baseline.verdict == "unlikely":
        return Recommendation(
            baseline.name,
            "the baseline is not likely to be felt at this speed, so no add-on is needed",
        )
    better = sorted((add_on for add_on in add_ons if _improves(add_on, baseline)), key=_rank)
    if not better:
        why = (
            "no add-on has a lower verdict than the baseline together with a fluctuation that is "
            f"lower beyond doubt (p < {SIGNIFICANT:g} after correction)"
        )
        if apart := [one.name for one in add_ons if not _alike(one, baseline)]:
            why += f"; of the baseline and {listed(apart)} only one is rated in wind"
        return Recommendation(None, why)
    best, rivals = _chosen(better, between)
    reasons = [_gain(best, baseline), _cost(best), *rivals]
    return Recommendation(best.name, "; ".join(reasons), _rule_of_thumb(best))


@dataclass(frozen=True)
class _Rival:
    """Another candidate beside one, with p-values of no difference between the two."""

    add_on: AddOn
    drag_p: float
    fluctuation_p: float

    @property
    def same_drag(self) -> bool:
        """Whether no difference of drag is shown."""
        return self.drag_p >= SIGNIFICANT

    @property
    def same_fluctuation(self) -> bool:
        """Whether no difference of the telling component's RMS is shown."""
        return self.fluctuation_p >= SIGNIFICANT


def _rivals(one: AddOn, others: Sequence[AddOn], between: Between) -> list[_Rival]:
    """The others beside one; what cannot be compared is not told apart."""
    word = _telling(one) or TELLING[0]
    pairs = [between(one.name, other.name) for other in others]
    drag = holm([_p_value(pair.difference("drag")) for pair in pairs])
    fluctuation = holm([_p_value(pair.log_ratio(word)) for pair in pairs])
    return [_Rival(*row) for row in zip(others, drag, fluctuation, strict=True)]


def _p_value(estimate: Estimate | None) -> float:
    return 1.0 if estimate is None else estimate.p_value()


def _chosen(better: Sequence[AddOn], between: Between) -> tuple[AddOn, list[str]]:
    """Of the candidates in their rank the one to fit, and what sets it apart from the others.

    Among equal verdicts the least drag decides, and where drag does not, the least fluctuation.
    """
    first, *others = better
    word = _telling(first) or TELLING[0]
    calmer = [
        rival.add_on
        for rival in _rivals(first, others, between)
        if _same_verdict(rival.add_on, first) and rival.same_drag and not rival.same_fluctuation
    ]
    best = min([first, *calmer], key=lambda one: _ratio(one, word))
    rest = _rivals(best, [one for one in better if one is not best], between)
    ties = [rival.add_on.name for rival in rest if not _told_apart(rival, best)]
    if ties:
        return best, [f"{listed(ties)} cannot be told from it by what was measured"]
    if best is not first:
        return best, [f"{first.name} fluctuates more, and no difference of drag to it is shown"]
    if any(_same_verdict(one, best) for one in others):
        return best, ["of those with this verdict it has the least drag"]
    return best, []


def _told_apart(rival: _Rival, best: AddOn) -> bool:
    """Whether what made `best` the choice is a difference that is there."""
    if _same_verdict(rival.add_on, best) and not rival.same_drag:
        return True
    return not rival.same_fluctuation


def _same_verdict(one: AddOn, other: AddOn) -> bool:
    return one.rating.verdict == other.rating.verdict


def _ratio(add_on: AddOn, word: str) -> float:
    return add_on.rms_ratio[word].value if word in add_on.rms_ratio else np.inf


def _alike(add_on: AddOn, baseline: ConfigurationRating) -> bool:
    """Whether both are rated in wind, or both in still air: one may lack other yaw angles."""
    return (add_on.rating.wind is None) == (baseline.wind is None)


def _improves(add_on: AddOn, baseline: ConfigurationRating) -> bool:
    if add_on.rating.verdict not in BEST_FIRST or not _alike(add_on, baseline):
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
        real = _real(add_on, "drag")
        parts.append(f"drag {drag.text(sign=True)} %" if real else "no drag difference is shown")
        if real and add_on.fuel_change_percent is not None:
            parts.append(f"fuel {add_on.fuel_change_percent.value:+.1f} % at this speed")
    for word, delta in (
        ("front lift", add_on.delta_front_lift),
        ("rear lift", add_on.delta_rear_lift),
    ):
        if delta is not None and _real(add_on, word):
            parts.append(f"{word} coefficient {delta.text(sign=True)}")
    if not add_on.delta_p_value:
        return "what it costs was not measured"
    if add_on.delta_drag is None:
        parts.insert(0, "drag was not measured in every run")
    return "it costs: " + ", ".join(parts) if parts else "no change of drag or lift is shown"


def _rule_of_thumb(add_on: AddOn) -> str | None:
    """By what was measured alone; a name says nothing of a shape."""
    drag, lift = add_on.delta_drag, add_on.delta_rear_lift
    if lift is None or not _real(add_on, "rear lift"):
        return None
    if lift.value < 0:
        return SMALL_SPOILER
    less_drag = drag is not None and drag.value < 0 and _real(add_on, "drag")
    return SHALLOW_TAIL if less_drag else None


def _real(add_on: AddOn, word: str) -> bool:
    """Whether a difference of means is there beyond doubt."""
    return add_on.delta_p_value.get(word, 1.0) < SIGNIFICANT


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"= {value:.3f}"
