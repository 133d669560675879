"""Which configuration to fit, and why; nothing rests on a difference that is not there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from buffet.doubts import Doubt, doubts_about, not_told_apart
from buffet.holm import holm
from buffet.pairs import SIGNIFICANT, Between, Estimate, Pair
from buffet.phrases import listed
from buffet.rating.criteria import Verdict
from buffet.rating.ranking import Ranking
from buffet.rating.rate import ConfigurationRating

if TYPE_CHECKING:
    from buffet.comparing import AddOn

# Least shaking first; what cannot be told is never recommended.
BEST_FIRST: tuple[Verdict, ...] = ("unlikely", "possible", "likely")
# With the same verdict as the baseline only what a driver notices is worth its price: the just
# noticeable difference of seat vibration is 7 to 11 % (Vibration 2020, 3(2), 116).
NOTICED = 0.9
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
    doubts: tuple[Doubt, ...] = ()  # the gravest first


@dataclass(frozen=True)
class _Rival:
    """Another candidate beside one, with p-values of no difference between the two."""

    add_on: AddOn
    drag_p: float
    felt_p: float

    @property
    def same_drag(self) -> bool:
        """Whether no difference of drag is shown."""
        return self.drag_p >= SIGNIFICANT

    @property
    def same_felt(self) -> bool:
        """Whether no difference of what is felt is shown."""
        return self.felt_p >= SIGNIFICANT


def recommend(
    baseline: ConfigurationRating,
    add_ons: Sequence[AddOn],
    ranking: Ranking,
    between: Between,
    equal_within: float,
) -> Recommendation:
    """Least likely to be felt, and among equals least drag; nothing where nothing is better.

    Parameters
    ----------
    between : gives the pair of two configurations, the first against the second
    equal_within : relative difference of RMS that passes for none
    """

    def doubts(best: ConfigurationRating, ties: Sequence[AddOn] = ()) -> tuple[Doubt, ...]:
        word = _telling(add_ons[0]) if add_ons else None
        pairs = [between(best.name, one.name) for one in ties]
        return doubts_about(best, pairs, word or TELLING[0], equal_within, ranking)

    if baseline.verdict == "unlikely":
        why = "the baseline is not likely to be felt at this speed, so no add-on is needed"
        return Recommendation(baseline.name, why, doubts=doubts(baseline))
    if not add_ons:
        return Recommendation(None, "the campaign has no add-on to compare with the baseline")
    better = sorted((one for one in add_ons if _improves(one, baseline)), key=_rank)
    if not better:
        return _none(baseline, add_ons, between, equal_within)
    best, ties, apart = _chosen(better, ranking, between)
    reasons = [_gain(best, baseline), _cost(best), *apart]
    told = doubts(best.rating, ties) + _of_rig(best)
    return Recommendation(best.name, "; ".join(reasons), _rule_of_thumb(best), told)


def _none(
    baseline: ConfigurationRating,
    add_ons: Sequence[AddOn],
    between: Between,
    equal_within: float,
) -> Recommendation:
    """Nothing is better beyond doubt; what looks better is named with what would show it."""
    why = (
        "of no add-on it is shown that less is felt than of the baseline "
        f"(p < {SIGNIFICANT:g} after correction), with a lower verdict or by a tenth at least"
    )
    if apart := [one.name for one in add_ons if not _alike(one, baseline)]:
        why += f"; of the baseline and {listed(apart)} only one is rated in wind"
    open_ones = [
        one
        for one in add_ons
        if _alike(one, baseline) and _worth_it(one, baseline) and not _shown_lower(one)
    ]
    doubts = [
        not_told_apart(between(one.name, baseline.name), _telling(one) or TELLING[0], equal_within)
        for one in open_ones
    ]
    rig = [doubt for one in add_ons if _worth_it(one, baseline) for doubt in _of_rig(one)]
    return Recommendation(None, why, doubts=(*doubts, *rig))


def _of_rig(add_on: AddOn) -> tuple[Doubt, ...]:
    """A change of the telling component part of which sits in peaks that are not the flow's."""
    for word in TELLING:
        if (part := add_on.rig.get(word)) is not None and add_on.p_value[word] < SIGNIFICANT:
            text = (
                f"of the change of {word} with {add_on.name} {min(part.share, 1):.0%} is not "
                f"the flow's: {part.what} at {part.frequency_hz:.3g} Hz"
            )
            settled_by = (
                "a tap test of the balance with the model on it (`buffet resonance`), and "
                f"{add_on.name} with what it finds stated or removed"
            )
            return (Doubt(text, settled_by),)
    return ()


def _improves(add_on: AddOn, baseline: ConfigurationRating) -> bool:
    """Whether it is better beyond doubt, by the flow, and worth having."""
    word = _telling(add_on)
    of_rig = word is not None and word in add_on.rig and add_on.rig[word].mostly
    return (
        _alike(add_on, baseline)
        and _worth_it(add_on, baseline)
        and _shown_lower(add_on)
        and not of_rig
    )


def _worth_it(add_on: AddOn, baseline: ConfigurationRating) -> bool:
    """Whether it lowers the verdict, or with the same one what a driver would notice."""
    if add_on.rating.verdict not in BEST_FIRST:
        return False
    if baseline.verdict not in BEST_FIRST:
        return True
    place, base = (BEST_FIRST.index(one) for one in (add_on.rating.verdict, baseline.verdict))
    felt = add_on.felt_ratio
    noticed = felt is not None and felt.high is not None and felt.high < NOTICED
    return place < base or (place == base and noticed)


def _shown_lower(add_on: AddOn) -> bool:
    """By what is felt; where that is not ranked, by the telling component's RMS."""
    if add_on.felt_ratio is not None and add_on.felt_p_value is not None:
        return add_on.felt_ratio.value < 1 and add_on.felt_p_value < SIGNIFICANT
    return _calmer(add_on) is not None


def _calmer(add_on: AddOn) -> str | None:
    """The telling component, where its RMS is lower beyond doubt."""
    word = _telling(add_on)
    if word is None or add_on.p_value[word] >= SIGNIFICANT or add_on.rms_ratio[word].value >= 1:
        return None
    return word


def _rivals(
    one: AddOn, others: Sequence[AddOn], ranking: Ranking, between: Between
) -> list[_Rival]:
    """The others beside one; what cannot be compared is not told apart."""
    pairs = [between(one.name, other.name) for other in others]
    drag = holm([_p_value(pair.difference("drag")) for pair in pairs])
    felt = holm([_felt_p(pair, one, ranking) for pair in pairs])
    return [_Rival(*row) for row in zip(others, drag, felt, strict=True)]


def _felt_p(pair: Pair, one: AddOn, ranking: Ranking) -> float:
    if pair.name in ranking and pair.other in ranking:
        return ranking.p_value(pair.name, pair.other)
    return _p_value(pair.log_ratio(_telling(one) or TELLING[0]))


def _p_value(estimate: Estimate | None) -> float:
    return 1.0 if estimate is None else estimate.p_value()


def _chosen(
    better: Sequence[AddOn], ranking: Ranking, between: Between
) -> tuple[AddOn, list[AddOn], list[str]]:
    """Of the candidates in their rank the one to fit, its ties, and what sets it apart.

    Among equal verdicts the least drag decides, and where drag does not, what is felt least.
    """
    first, *others = better
    calmer = [
        rival.add_on
        for rival in _rivals(first, others, ranking, between)
        if _same_verdict(rival.add_on, first) and rival.same_drag and not rival.same_felt
    ]
    best = min([first, *calmer], key=_felt)
    rest = _rivals(best, [one for one in better if one is not best], ranking, between)
    ties = [rival.add_on for rival in rest if not _told_apart(rival, best)]
    if ties:
        names = listed([one.name for one in ties])
        return best, ties, [f"{names} cannot be told from it by what was measured"]
    alike = [rival for rival in rest if _same_verdict(rival.add_on, best)]
    same = [rival.add_on.name for rival in alike if rival.same_drag]
    if same:
        return best, [], [f"of {listed(same)} more is felt, and no difference of drag is shown"]
    return best, [], ["of those with this verdict it has the least drag"] if alike else []


def _told_apart(rival: _Rival, best: AddOn) -> bool:
    """Whether what made `best` the choice is a difference that is there."""
    if _same_verdict(rival.add_on, best) and not rival.same_drag:
        return True
    return not rival.same_felt


def _same_verdict(one: AddOn, other: AddOn) -> bool:
    return one.rating.verdict == other.rating.verdict


def _felt(add_on: AddOn) -> float:
    """Over the baseline's, as far as it is known."""
    word = _telling(add_on)
    known = add_on.felt_ratio or (None if word is None else add_on.rms_ratio[word])
    return np.inf if known is None else known.value


def _alike(add_on: AddOn, baseline: ConfigurationRating) -> bool:
    """Whether both are rated in wind, or both in still air: one may lack other yaw angles."""
    return (add_on.rating.wind is None) == (baseline.wind is None)


def _telling(add_on: AddOn) -> str | None:
    return next((word for word in TELLING if word in add_on.p_value), None)


def _rank(add_on: AddOn) -> tuple[int, float]:
    drag = add_on.delta_drag.value if add_on.delta_drag else 0.0
    return BEST_FIRST.index(add_on.rating.verdict), drag


def _gain(add_on: AddOn, baseline: ConfigurationRating) -> str:
    verdict = add_on.rating.verdict
    text = f"{verdict} instead of {baseline.verdict}"
    if verdict == baseline.verdict:
        text = f"{verdict} as the baseline, but calmer"
    parts = []
    if add_on.felt_ratio is not None and add_on.felt_p_value is not None:
        times = add_on.felt_ratio.text()
        parts.append(f"what is felt is {times} times the baseline's (p {_p(add_on.felt_p_value)})")
    if (word := _calmer(add_on)) is not None:
        ratio, p_value = add_on.rms_ratio[word], add_on.p_value[word]
        parts.append(
            f"its {word} fluctuates {ratio.text()} times as much as the baseline's "
            f"(p {_p(p_value)})"
        )
    return f"{text}: {', and '.join(parts)}"


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
