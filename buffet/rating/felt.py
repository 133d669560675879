"""What is felt at the seat at one road speed, after ISO 2631-1; told, never decisive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.perception import (
    COMFORT_AXES,
    PERCEPTION,
    BasicMethodTest,
    Direction,
    Place,
    Reaction,
    comfort_total,
    measures,
    reactions,
)
from buffet.rating.motions import MotionName
from buffet.rating.pool import Pool
from buffet.rating.seat_scatter import VERTICAL_BAND_HZ
from buffet.spectral.uncertainty import LogEstimate

Array = NDArray[np.float64]

# Road hertz: the standard's band from 0.5 Hz on, as far as a wake's forces are measured; upright
# motion as its criterion has it.
BAND_HZ = (0.5, 20.0)
BANDS_HZ: dict[Direction, tuple[float, float]] = {
    "x": BAND_HZ,
    "y": BAND_HZ,
    "z": VERTICAL_BAND_HZ,
    "roll": BAND_HZ,
    "pitch": BAND_HZ,
    "yaw": BAND_HZ,
}


@dataclass(frozen=True)
class Shaking:
    """Upright motion over the time of the runs' records, the largest of any run."""

    duration_s: float  # on the road, of the longest record
    rms_m_s2: float
    largest_running_rms_m_s2: float  # MTVV
    dose_m_s1_75: float  # VDV, over that duration
    tests: tuple[BasicMethodTest, ...]  # of ISO 2631-1:1997 6.2.2 and 6.3.3, one channel each

    @property
    def exceeded(self) -> tuple[BasicMethodTest, ...]:
        """Tests by which the r.m.s. value alone tells too little."""
        return tuple(test for test in self.tests if bool(test.is_exceeded.any()))


@dataclass(frozen=True)
class Felt:
    """Weighted accelerations at the seat with comfort's factors, and what they add up to."""

    axes: Mapping[Direction, Interval]  # r.m.s., m/s² along and rad/s² about
    missing: Mapping[Direction, str]  # why an axis is not told
    total: Interval  # vibration total value of the axes told, m/s²
    reactions: tuple[Reaction, ...]  # of the total value
    over_threshold: float  # upright r.m.s. over that of a sine half the people just feel
    shaking: Shaking | None  # None where no samples were kept


def felt(pool: Pool, speed_m_s: float) -> Felt | None:
    """At one of the pool's road speeds; None where upright motion is not told.

    Intervals hold what is not known of the car for upright motion alone, which rules the total.
    """
    if pool.why_not("seat z") is not None:
        return None
    at = int(np.abs(pool.setting.speeds_m_s - speed_m_s).argmin())
    there = replace(pool.setting, speeds_m_s=pool.setting.speeds_m_s[at : at + 1])
    unseen = {name: [one.at(at) for one in own] for name, own in pool.unseen.items()}
    alone = Pool(pool.runs, there, pool.told, unseen)
    estimates: dict[Direction, LogEstimate] = {}
    missing: dict[Direction, str] = {}
    for axis, band_hz in BANDS_HZ.items():
        name = cast(MotionName, f"seat {axis}")
        why = alone.why_not(name)
        if why is not None:
            missing[axis] = why
        elif axis == "z":
            estimates[axis] = _upright(pool, at)
        else:
            estimates[axis] = alone.band(name, band_hz, with_car=False)
    total = _total(estimates)
    upright = float(estimates["z"].value[0])
    return Felt(
        {axis: one.interval(0) for axis, one in estimates.items()},
        missing,
        total,
        reactions(total.value),
        upright / PERCEPTION.median_sine_rms_m_s2,
        _shaking(pool, there.speeds_m_s),
    )


def _upright(pool: Pool, at: int) -> LogEstimate:
    """With what is not known of the car."""
    every = pool.band("seat z", VERTICAL_BAND_HZ)
    freedom = np.broadcast_to(np.asarray(every.freedom), every.value.shape)
    one = slice(at, at + 1)
    return LogEstimate(every.value[one], every.spread[one], every.blocks, None, freedom[one])


def _total(estimates: Mapping[Direction, LogEstimate]) -> Interval:
    """The axes' errors taken as independent; on the logarithm, by their shares of the square."""
    value: dict[tuple[Place, Direction], Array] = {
        ("seat", axis): np.maximum(one.value, 0) for axis, one in estimates.items()
    }
    total = comfort_total(value)
    spread = np.zeros(1)
    for axis, one in estimates.items():
        square = (COMFORT_AXES["seat", axis].factor * np.maximum(one.value, 0)) ** 2
        share = np.divide(square, total**2, out=np.zeros(1), where=total > 0)
        spread += (share * np.where(share > 0, one.spread, 0)) ** 2  # 0 · ∞ where nothing is left
    blocks = min(one.blocks for one in estimates.values())
    return LogEstimate(total, np.sqrt(spread), blocks).interval(0)


def _shaking(pool: Pool, speed_m_s: Array) -> Shaking | None:
    if any(run.copy is None for run in pool.runs):
        return None
    found = []
    for history in pool.histories("seat z", VERTICAL_BAND_HZ, speed_m_s)[0]:
        if history.duration_s > 1 and history.values.any():
            found.append(measures(history.values, history.rate_hz))
    if not found:
        return None
    tests = tuple(
        max(same, key=lambda test: float(test.value[0]))
        for same in zip(*[one.basic_method_tests for one in found], strict=True)
    )
    return Shaking(
        max(one.duration_s for one in found),
        max(float(one.rms_m_s2[0]) for one in found),
        max(float(one.largest_running_rms_m_s2[0]) for one in found),
        max(float(one.dose_m_s1_75[0]) for one in found),
        tests,
    )
