"""The order of the runs: repeats apart from each other, so that a drift favours nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from buffet.spectral.uncertainty import run_seed

Item = TypeVar("Item")


@dataclass(frozen=True)
class PlannedRun:
    """One run before it is made."""

    number: str
    configuration: str  # fitted to the model, also while the wind is off
    speed_m_s: float  # 0 without wind
    record_s: float
    round: int  # which repeat
    zero_before: str | None = None  # of wind-on runs
    zero_after: str | None = None

    @property
    def wind_on(self) -> bool:
        """Whether the wind blows."""
        return self.speed_m_s > 0


def order_runs(
    configurations: Sequence[str],
    speeds_m_s: Sequence[float],
    repeats: int,
    record_s: float,
    wind_off_s: float,
) -> tuple[PlannedRun, ...]:
    """A round fits each configuration once and runs it at every speed between two zeros.

    The order in a round is drawn, from a seed made of the names, and the next round mirrors it:
    over two rounds every configuration, and in it every speed, stands in the same mean place, so
    that a steady drift falls on all alike. An odd round at the end is drawn afresh.
    """
    rounds = mirrored(configurations, repeats, "configurations")
    by_speed = {name: mirrored(speeds_m_s, repeats, name) for name in configurations}
    runs: list[PlannedRun] = []
    digits = max(3, len(str(repeats * len(configurations) * (len(speeds_m_s) + 2))))
    for turn, names in enumerate(rounds):
        for name in names:
            first = len(runs) + 1
            numbers = [f"{first + i:0{digits}d}" for i in range(len(speeds_m_s) + 2)]
            zeros = numbers[0], numbers[-1]
            runs.append(PlannedRun(zeros[0], name, 0.0, wind_off_s, turn + 1))
            runs += [
                PlannedRun(number, name, speed, record_s, turn + 1, *zeros)
                for number, speed in zip(numbers[1:-1], by_speed[name][turn], strict=True)
            ]
            runs.append(PlannedRun(zeros[1], name, 0.0, wind_off_s, turn + 1))
    return tuple(runs)


def mirrored(items: Sequence[Item], rounds: int, *words: str) -> list[list[Item]]:
    """An order a round, every second one the last reversed."""
    rng = run_seed("plan", *words, *map(str, items))
    orders: list[list[Item]] = []
    for turn in range(rounds):
        if turn % 2:
            orders.append(orders[-1][::-1])
        else:
            orders.append([items[i] for i in rng.permutation(len(items))])
    return orders
