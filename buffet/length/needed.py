"""How long a record must be for a wanted half-width."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

from buffet.interval import LEVEL

# Nobody records a million times as long; what needs it is out of reach.
MOST_TIMES = 1e6
FEWEST_BLOCKS = 2.0


@dataclass(frozen=True)
class Needed:
    """What a record reaches of one figure, and the length that would reach what is wanted."""

    half_width: float  # of the 95 % interval, relative or in shares of the RMS
    times: float  # the record's length, for the half-width wanted; 1 or less where it is reached
    record_s: float  # that length

    @property
    def is_reached(self) -> bool:
        """Whether the record is long enough."""
        return self.times <= 1.0


def for_blocks(half_width: float, blocks: float, within: float, record_s: float) -> Needed | None:
    """From an interval of `blocks` independent blocks, whose number grows with the record.

    Half-widths fall with t(n_b - 1) / √(n_b - 1), Student's t and the blocks' own inflation; with
    many blocks that is 1/√T. None where a million times the length would not do.
    """
    start = max(blocks, FEWEST_BLOCKS)

    def half(times: float) -> float:
        freedom = start * times - 1
        return half_width * _student(freedom, start - 1) * sqrt((start - 1) / freedom)

    return _solved(half, half_width, within, record_s, FEWEST_BLOCKS / start)


def for_mean(
    half_width: float,
    fixed: float,
    freedom: float,
    grows: bool,
    within: float,
    record_s: float,
) -> Needed | None:
    """From the half-width that the record leaves in a mean, and one that no record changes.

    `fixed` is what the wind-off zeros leave; the two add in squares. `freedom` stands behind the
    first and grows with the record where `grows`. None where `fixed` alone is too much.
    """

    def half(times: float) -> float:
        student = _student(max(freedom * times, 1.0), freedom) if grows else 1.0
        return sqrt((half_width * student) ** 2 / times + fixed**2)

    return _solved(half, half(1.0), within, record_s, 1 / MOST_TIMES)


def for_normal(half_width: float, within: float, record_s: float) -> Needed:
    """Of a figure whose interval falls with 1/√T."""
    times = (half_width / within) ** 2
    return Needed(half_width, times, times * record_s)


def _student(freedom: float, now: float) -> float:
    """Student's t of the level over that of the record as it is."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + LEVEL / 2) / stdtrit(now, 0.5 + LEVEL / 2))


def _solved(
    half: Callable[[float], float], now: float, within: float, record_s: float, least: float
) -> Needed | None:
    from scipy.optimize import brentq

    if half(MOST_TIMES) > within:
        return None
    times = (
        least if half(least) <= within else brentq(lambda t: half(t) - within, least, MOST_TIMES)
    )
    return Needed(now, float(times), float(times) * record_s)
