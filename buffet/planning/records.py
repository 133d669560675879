"""Record length and number of repeats together: the least tunnel time that reaches every wish.

What is out of reach is come near to, so that nobody gets less by asking for more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf

from buffet.planning.demands import Demand, hardest
from buffet.spectral.resolution import WISHED_SEGMENTS

# A run does not tell its own scatter from run to run.
FEWEST_REPEATS = 2
MOST_REPEATS = 10  # nobody fits an add-on more often (engineering judgement)
# A wish out of reach is missed by so much more than it must be: the last few per cent cost as much
# tunnel time as all before (engineering judgement).
NEAR = 1.03
# Repeats that are looked at to say how many it would take.
COUNTED_REPEATS = 100
# Wind-off records: ten segments know the noise to a third in each bin, and zeros drift over longer
# (engineering judgement).
WIND_OFF_SEGMENTS, LEAST_WIND_OFF_S = 10, 20.0


@dataclass(frozen=True)
class Reached:
    """One wish as the plan leaves it; the demand is the hardest of its kind."""

    demand: Demand
    record_s: float | None  # needed with the planned repeats; None where no record will do
    half_width: float  # with the planned records and repeats
    repeats_needed: int | None  # with the longest records allowed, where it is not reached
    scatter_needed: float | None  # from run to run, likewise

    @property
    def is_reached(self) -> bool:
        """Whether the plan reaches what is wanted."""
        return self.half_width <= self.demand.within * (1 + 1e-9)


@dataclass(frozen=True)
class RecordPlan:
    """Records and repeats."""

    record_s: float  # wind-on, each run
    wind_off_s: float
    repeats: int
    rules: str  # what asks for the longest record: a wish, or the resolution
    wishes: tuple[Reached, ...]
    segment_s: float  # for the peaks, at the slowest wind
    resolution_record_s: float  # that holds enough of them

    @property
    def resolution_hz(self) -> float:
        """Distance of the bins at the slowest wind."""
        return 1 / self.segment_s


def plan_records(
    demands: Sequence[Demand],
    segment_s: float,
    repeats: int | None,
    longest_s: float,
    overhead_s: float,
) -> RecordPlan:
    """Least time of records and of what each run costs beside, over numbers of repeats.

    A wish that no number of repeats reaches in the longest run is planned for to within a few per
    cent of the nearest to it.

    Parameters
    ----------
    demands : of all wishes, configurations and components
    segment_s : that resolves peak and band
    repeats : where they are given
    longest_s : no run is planned longer
    overhead_s : of a run: wind up, settle, wind down
    """
    counts = range(FEWEST_REPEATS, MOST_REPEATS + 1) if repeats is None else (repeats,)
    resolution_s = (WISHED_SEGMENTS + 1) / 2 * segment_s
    kinds = {name: [d for d in demands if d.wish == name] for name in _names(demands)}
    aims = {
        name: [_within_reach(one, counts, longest_s) for one in own] for name, own in kinds.items()
    }

    def record_s(n: int) -> float:
        return max([min(resolution_s, longest_s), *(_needed(own, n) for own in aims.values())])

    possible = [n for n in counts if record_s(n) <= longest_s * (1 + 1e-9)]
    chosen = min(possible, key=lambda n: n * (record_s(n) + overhead_s))
    length_s = min(rounded_up_s(record_s(chosen)), longest_s)
    rules = max(aims, key=lambda name: _needed(aims[name], chosen), default="resolution")
    if rules != "resolution" and _needed(aims[rules], chosen) <= resolution_s:
        rules = "resolution"
    return RecordPlan(
        length_s,
        min(
            rounded_up_s(max(LEAST_WIND_OFF_S, (WIND_OFF_SEGMENTS + 1) / 2 * segment_s)), longest_s
        ),
        chosen,
        rules,
        tuple(_reached(own, chosen, length_s, longest_s) for own in kinds.values()),
        segment_s,
        resolution_s,
    )


def _names(demands: Sequence[Demand]) -> dict[str, None]:
    return dict.fromkeys(demand.wish for demand in demands)


def _within_reach(demand: Demand, counts: Sequence[int], longest_s: float) -> Demand:
    """As wanted, or where that is out of reach as near to it as pays."""
    nearest = min(demand.half_width(n, longest_s) for n in counts)
    return demand if nearest <= demand.within else replace(demand, within=NEAR * nearest)


def _needed(demands: Sequence[Demand], repeats: int) -> float:
    return max(demand.record_needed_s(repeats) for demand in demands)


def _reached(demands: Sequence[Demand], repeats: int, record_s: float, longest_s: float) -> Reached:
    demand = hardest(demands, repeats, record_s)
    needed = demand.record_needed_s(repeats)
    half = demand.half_width(repeats, record_s)
    short = half > demand.within * (1 + 1e-9)
    return Reached(
        demand,
        None if needed == inf else needed,
        half,
        demand.repeats_needed(max(record_s, longest_s), COUNTED_REPEATS) if short else None,
        demand.scatter_needed(repeats, max(record_s, longest_s)) if short else None,
    )


def rounded_up_s(length_s: float) -> float:
    """To 5 s, from two minutes on to 10 s."""
    step = 5.0 if length_s <= 120 else 10.0
    return ceil(length_s / step - 1e-9) * step
