"""What one wish asks of record length and repeats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt
from typing import Literal

from buffet.interval import LEVEL
from buffet.spectral.uncertainty import MOST_FREEDOM

WishName = Literal["RMS", "Strouhal number", "onset speed"]

SHORTEST_S = 1e-3  # nobody plans a shorter one
LONGEST_S = 1e7


@dataclass(frozen=True)
class Demand:
    """One figure that is wanted to a half-width, and what it scatters by.

    A run's logarithm of the figure has the variance s² + c / T, and runs are averaged.
    """

    wish: WishName
    configuration: str
    component: str
    within: float  # wanted half of the 95 % interval, relative
    record: float  # c, seconds
    run_to_run: float  # s, relative standard deviation
    runs: int  # a repeat adds this many runs to the average: one, or one a wind speed
    cells: int  # configurations times wind speeds whose repeats tell s together
    segment_s: float
    fixed: float = 0.0  # relative standard deviation that no run takes away
    known_freedom: float = inf  # degrees of freedom behind s where nothing is repeated

    def half_width(self, repeats: int, record_s: float) -> float:
        """Half of the 95 % interval, Student's t with the mixed degrees of freedom.

        Mixed after Satterthwaite 1946 (Biometrics Bulletin 2, 110-114): the repeats of all cells
        tell s, a record's own scatter is told by its segments.
        """
        n = repeats * self.runs
        between, within = self.run_to_run**2 / n, self.record / record_s / n
        total = between + within + self.fixed**2
        told = self.cells * (repeats - 1) if repeats > 1 else self.known_freedom
        blocks = max(n * record_s / self.segment_s - 1, 1.0)
        below = between**2 / told + within**2 / blocks
        freedom = min(total**2 / below, MOST_FREEDOM) if below else MOST_FREEDOM
        return student(freedom) * sqrt(total)

    def record_needed_s(self, repeats: int) -> float:
        """Record length of each run for the wanted half-width; infinite where none will do."""
        from scipy.optimize import brentq

        def excess(record_s: float) -> float:
            return self.half_width(repeats, record_s) - self.within

        if excess(LONGEST_S) > 0:
            return inf
        if excess(SHORTEST_S) <= 0:
            return SHORTEST_S
        return float(brentq(excess, SHORTEST_S, LONGEST_S, rtol=1e-6))

    def repeats_needed(self, record_s: float, most: int) -> int | None:
        """Fewest repeats that reach it with records of that length; None where none do."""
        enough = (n for n in range(1, most + 1) if self.half_width(n, record_s) <= self.within)
        return next(enough, None)

    def scatter_needed(self, repeats: int, record_s: float) -> float | None:
        """Scatter from run to run at which it would be reached; None where none is small enough."""
        from scipy.optimize import brentq

        def excess(scatter: float) -> float:
            one = replace(self, run_to_run=scatter)
            return one.half_width(repeats, record_s) - self.within

        if excess(0.0) > 0:
            return None
        return float(brentq(excess, 0.0, max(self.run_to_run, 1e-9)))


def student(freedom: float) -> float:
    """Student's t of the level, two-sided."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + LEVEL / 2))


def hardest(demands: Sequence[Demand], repeats: int, record_s: float) -> Demand:
    """The one that falls shortest of what is wanted; of those reached, with the longest record."""

    def key(one: Demand) -> tuple[float, float]:
        short = one.half_width(repeats, record_s) / one.within
        return max(short, 1.0), one.record_needed_s(repeats)

    return max(demands, key=key)
