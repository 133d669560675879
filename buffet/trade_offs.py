"""Buffeting against drag against rear lift: which configurations another one beats in all three."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from buffet.holm import holm
from buffet.interval import Interval
from buffet.pairs import SIGNIFICANT, Between, Pair
from buffet.rating.criteria import Verdict
from buffet.rating.ranking import Ranking
from buffet.rating.rate import Rating


@dataclass(frozen=True)
class TradeOff:
    """One configuration by what is felt of it and what it costs, at the road speed."""

    name: str
    verdict: Verdict
    felt: Interval | None  # metric over its lower limit; None where it is not ranked
    p_best: float | None  # that it is felt least
    drag_n: Interval | None  # mean
    rear_lift_n: Interval | None  # mean, up positive
    dominated_by: tuple[str, ...] | None  # None where one of the three is not known


def trade_offs(rating: Rating, ranking: Ranking, between: Between) -> tuple[TradeOff, ...]:
    """Of all configurations, what is felt least first and what is not ranked last.

    One dominates another if its estimates are no worse in any of the three, less felt, less drag,
    less rear lift, and at least one of them is shown to be better; Holm over all pairs and all
    three.
    """
    ranked = {one.name: one for one in ranking.ranked}
    ratings = {one.name: one for one in rating.configurations}
    names = [*ranked, *(name for name in ratings if name not in ranked)]
    beaten = _beaten_by(list(ranked), ranking, between)
    return tuple(
        TradeOff(
            name,
            ratings[name].verdict,
            ranked[name].share if name in ranked else None,
            ranked[name].p_best if name in ranked else None,
            _newtons(rating, between(name, name), "drag"),
            _newtons(rating, between(name, name), "rear lift"),
            beaten.get(name),
        )
        for name in names
    )


def _newtons(rating: Rating, alone: Pair, word: str) -> Interval | None:
    mean = alone.mean(alone.name, word) if word in alone.spreads.mean else None
    if mean is None:
        return None
    pressure = float(rating.full_scale.dynamic_pressure_pa(rating.speed_m_s))
    return mean.interval().scaled(pressure * rating.full_scale.area_m2)


def _beaten_by(
    names: Sequence[str], ranking: Ranking, between: Between
) -> dict[str, tuple[str, ...]]:
    """By configuration who dominates it; those alone of which all three are known."""
    compared = {
        (one, other): _differences(one, other, ranking, between)
        for one, other in combinations(names, 2)
    }
    known = {pair: row for pair, row in compared.items() if row is not None}
    corrected = iter(holm([p for row in known.values() for _, p in row]))
    found: dict[str, tuple[str, ...]] = {}
    if len(names) == 1:
        found[names[0]] = ()
    for (one, other), row in known.items():
        shown = [(value, next(corrected)) for value, _ in row]
        found.setdefault(one, ())
        found.setdefault(other, ())
        if _better(shown):
            found[other] += (one,)
        elif _better([(-value, p) for value, p in shown]):
            found[one] += (other,)
    return found


def _differences(
    one: str, other: str, ranking: Ranking, between: Between
) -> list[tuple[float, float]] | None:
    """Of what is felt, drag and rear lift, each with its p-value; None where one is not known."""
    pair = between(one, other)
    costs = [pair.difference(word) for word in ("drag", "rear lift")]
    if any(cost is None for cost in costs):
        return None
    felt = (ranking.ratio(one, other).value - 1, ranking.p_value(one, other))
    return [felt, *((cost.value, cost.p_value()) for cost in costs if cost is not None)]


def _better(differences: Sequence[tuple[float, float]]) -> bool:
    no_worse = all(value <= 0 for value, _ in differences)
    return no_worse and any(value < 0 and p < SIGNIFICANT for value, p in differences)
