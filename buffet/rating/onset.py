"""The lowest road speed at which a criterion reaches its limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve

Array = NDArray[np.float64]

LOWEST_SPEED_M_S = 30 / 3.6
HIGHEST_SPEED_M_S = 250 / 3.6
SPEED_STEP_M_S = 5 / 3.6


@dataclass(frozen=True)
class Onset:
    """Where one criterion first reaches its lower limit; None where it does not."""

    criterion: str
    speed_m_s: Interval | None
    covered_m_s: tuple[float, float] | None  # range of road speeds that was searched

    def open_ends(self, up_to_m_s: float) -> str:
        """What its interval leaves open, as a further clause; empty where it has both ends."""
        text, speed_m_s = "", self.speed_m_s
        if speed_m_s is not None and speed_m_s.low is None and self.covered_m_s:
            lowest = self.covered_m_s[0] * 3.6
            text += f"; may lie below {lowest:.0f} km/h, the lowest speed that is covered"
        if speed_m_s is not None and speed_m_s.high is None:
            text += f"; its upper end lies beyond {up_to_m_s * 3.6:.0f} km/h"
        return text

    def why(self, up_to_m_s: float) -> str | None:
        """Why there is no speed, or what its interval leaves open; None where it has both ends."""
        if self.speed_m_s is not None:
            return self.open_ends(up_to_m_s).removeprefix("; ") or None
        if self.covered_m_s is None:
            return "not measured, or not covered with enough record behind it at any road speed"
        return (
            f"none from {self.covered_m_s[0] * 3.6:.0f} up to {self.covered_m_s[1] * 3.6:.0f} km/h"
        )


def search_speeds(asked_m_s: Array, up_to_m_s: float = HIGHEST_SPEED_M_S) -> Array:
    """Road speeds of the search, with those asked for among them."""
    grid = np.arange(LOWEST_SPEED_M_S, up_to_m_s + SPEED_STEP_M_S / 2, SPEED_STEP_M_S)
    return np.unique(np.concatenate([grid, asked_m_s]))


def onset(curve: MetricCurve, speeds_m_s: Array, up_to_m_s: float) -> Onset:
    """First crossing of the limit in the covered range, with the crossings of its limits.

    P(metric > limit) reaches one half where the metric itself reaches the limit. The interval
    holds all speeds at which the limit lies between the metric's confidence limits for the first
    time: its upper limit gives the earliest onset, its lower limit the latest. Where the search
    begins above an end of the interval, that end is None.
    """
    usable = curve.covered & (speeds_m_s <= up_to_m_s * (1 + 1e-9))
    if curve.estimate is None or not usable.any() or curve.doubt is not None:
        return Onset(curve.criterion.id, None, None)
    speeds = speeds_m_s[usable]
    span = (float(speeds[0]), float(speeds[-1]))
    low, high = curve.estimate.limits()
    seat_low, seat_high = curve.seat.limits() if curve.seat else (None, None)
    seat = curve.seat.value if curve.seat else None
    first, earliest, latest = (
        first_crossing(speeds, _margin(metric, motion, curve.criterion)[usable])
        for metric, motion in (
            (curve.estimate.value, seat),
            (high, seat_high),
            (low, seat_low),
        )
    )
    if first is None:
        return Onset(curve.criterion.id, None, span)
    below = earliest is not None and earliest <= span[0] * (1 + 1e-9)
    interval = Interval(first, None if below else earliest or first, latest)
    return Onset(curve.criterion.id, interval, span)


def _margin(metric: Array, seat: Array | None, row: Criterion) -> Array:
    """Metric over its limit, or motion over the threshold of perception where that is less."""
    margin = metric / row.limits[0]
    if seat is None or not row.silent_below_m_s2:
        return margin
    return np.asarray(np.minimum(margin, seat / row.silent_below_m_s2))


def first_crossing(speeds: Array, margin: Array) -> float | None:
    """Lowest speed at which the margin reaches one, straight between logarithms."""
    above = np.flatnonzero(margin >= 1)
    if not len(above):
        return None
    i = int(above[0])
    if i == 0 or margin[i - 1] <= 0:
        return float(speeds[i])
    x0, x1 = np.log(speeds[i - 1 : i + 1])
    y0, y1 = np.log(margin[i - 1 : i + 1])
    return float(np.exp(x0 - y0 / (y1 - y0) * (x1 - x0)))
