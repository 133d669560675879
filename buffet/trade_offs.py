"""Buffeting against drag against rear lift: which configurations another one beats in all three."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from buffet.interval import Interval
from buffet.pairs import Estimate, Pair
from buffet.rating.criteria import Verdict
from buffet.rating.ranking import Ranking
from buffet.rating.rate import Rating

Between = Callable[[str, str], Pair]

SIGNIFICANT = 0.05


@dataclass(frozen=True)
class TradeOff:
    """One configuration by what is felt of it and what it costs, at the road speed."""

    name: str
    verdict: Verdict
    felt: Interval | None  # metric over its lower limit; None where it is not ranked
    p_best: float | None  # that it is felt least
    drag_n: Interval | None  # mean
    rear_lift_n: Interval | None  # mean, up positive
    dominated_by: tuple[str, ...]


def trade_offs(rating: Rating, ranking: Ranking, between: Between) -> tuple[TradeOff, ...]:
    """Of all configurations, what is felt least first and what is not ranked last.

    One dominates another if it is better in none of the three shown to be worse and in one at
    least shown to be better, the estimates of the others being no worse either: less felt, less
    drag, less rear lift.
    """
    ranked = {one.name: one for one in ranking.ranked}
    ratings = {one.name: one for one in rating.configurations}
    names = [*ranked, *(name for name in ratings if name not in ranked)]
    return tuple(
        TradeOff(
            name,
            ratings[name].verdict,
            ranked[name].share if name in ranked else None,
            ranked[name].p_best if name in ranked else None,
            _newtons(rating, between(name, name), "drag"),
            _newtons(rating, between(name, name), "rear lift"),
            tuple(o for o in ranked if o != name and _dominates(o, name, ranking, between)),
        )
        for name in names
    )


def _newtons(rating: Rating, alone: Pair, word: str) -> Interval | None:
    mean = alone.mean(alone.name, word) if word in alone.spreads.mean else None
    if mean is None:
        return None
    pressure = float(rating.full_scale.dynamic_pressure_pa(rating.speed_m_s))
    return mean.interval().scaled(pressure * rating.full_scale.area_m2)


def _dominates(one: str, other: str, ranking: Ranking, between: Between) -> bool:
    if other not in ranking:
        return False
    felt = (ranking.ratio(one, other).value - 1, ranking.p_value(one, other))
    pair = between(one, other)
    costs = [_difference(pair.difference(word)) for word in ("drag", "rear lift")]
    every: Sequence[tuple[float, float] | None] = [felt, *costs]
    known = [pair for pair in every if pair is not None]
    no_worse = len(known) == len(every) and all(value <= 0 for value, _ in known)
    return no_worse and any(value < 0 and p < SIGNIFICANT for value, p in known)


def _difference(estimate: Estimate | None) -> tuple[float, float] | None:
    return None if estimate is None else (estimate.value, estimate.p_value())
