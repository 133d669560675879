"""What a peak that other runs of a configuration show may hold unseen in one of them.

Where the wake sheds at the rig's own frequency one peak stands over the other: the fit sees one,
and the run's part of the flow holds the rig, or lacks the wake.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from buffet.peak_classes import PeakClass
from buffet.run_spectra import QuantityResult
from buffet.spectral.peaks import Peak
from buffet.spectral.tracks import FIXED, SCALES

Array = NDArray[np.float64]

SAME_PLACE = 0.05  # relative: peaks of several runs so near one another are one
# A peak's half-power band holds half its power.
OVER_HALF_POWER = 2.0
# Half-power bandwidth over frequency, beyond which a peak is a slope of the background's and has no
# place where another could hide: a quality below two (engineering judgement).
BROADEST = 0.5
# Variance that a peak may have over that elsewhere: a force of fixed size, at two thirds of the
# wind speed, has five times the coefficient's (engineering judgement).
MOST_GROWTH = 5.0


@dataclass(frozen=True)
class At:
    """One quantity at one wind speed."""

    speed_m_s: float
    quantity: QuantityResult


@dataclass(frozen=True)
class _Expected:
    """Where a peak should stand in a run, how wide, and the variance it has elsewhere."""

    hz: float
    width_hz: float
    variance: float


def unseen_variance(own: At, others: Sequence[At], kept: Array, removed: Array) -> float:
    """The most that peaks seen elsewhere and not here may hold, in the unit of the powers.

    Parameters
    ----------
    kept, removed : (n,), variance in each bin that counts as the flow's, and that does not
    """
    fixed = [_expected(peak, 1.0) for one in others for peak, kind in _peaks(one, FIXED)]
    wake = [
        _expected(peak, own.speed_m_s / one.speed_m_s)
        for one in others
        for peak, kind in _peaks(one, SCALES)
        if kind.may_be_wake
    ]
    known = [(p.frequency_hz.value, k.may_be_wake) for p, k in own.quantity.followed]
    hz = own.quantity.frequency_hz
    return sum(
        _most(hz, powers, group)
        for expected, powers, of_wake in ((fixed, kept, False), (wake, removed, True))
        for group in _groups(expected)
        if not any(is_wake == of_wake and _same(at, group[0].hz) for at, is_wake in known)
    )


def _peaks(one: At, name: str) -> Iterator[tuple[Peak, PeakClass]]:
    known = ((p, k) for p, k in one.quantity.followed if k.name == name)
    return ((p, k) for p, k in known if p.bandwidth_hz.value < BROADEST * p.frequency_hz.value)


def _expected(peak: Peak, factor: float) -> _Expected:
    width = peak.bandwidth_hz.value or peak.bandwidth_hz.high or 0.0  # a line's is the window's
    return _Expected(peak.frequency_hz.value * factor, width * factor, peak.rms.value**2)


def _groups(expected: Sequence[_Expected]) -> list[list[_Expected]]:
    """Those at one place together, the strongest first."""
    groups: list[list[_Expected]] = []
    for one in sorted(expected, key=lambda each: -each.variance):
        near = next((group for group in groups if _same(one.hz, group[0].hz)), None)
        if near is None:
            groups.append([one])
        else:
            near.append(one)
    return groups


def _same(one_hz: float, other_hz: float) -> bool:
    return abs(log(one_hz / other_hz)) < SAME_PLACE


def _most(frequency_hz: Array, powers: Array, group: Sequence[_Expected]) -> float:
    """What stands there, and no more than such a peak can have."""
    first = group[0]
    reach = max(first.width_hz / 2, 1.5 * float(frequency_hz[1] - frequency_hz[0]))
    there = float(powers[np.abs(frequency_hz - first.hz) <= reach].sum())
    return min(OVER_HALF_POWER * there, MOST_GROWTH * first.variance)
