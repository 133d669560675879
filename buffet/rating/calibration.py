"""What the calibration leaves unknown, carried to what is felt (JCGM 100:2008, 5.1)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from buffet.rating.car_spread import averaged
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import reduce
from buffet.spectral.uncertainty import Unseen

Array = NDArray[np.float64]

CALIBRATION = "calibration"


def uncertain_channels(run: RunAnalysis) -> tuple[int, ...]:
    """Channels behind the components whose gain is stated with an uncertainty."""
    components = [q for q in run.signal.quantities if q.measures in run.signal.components]
    behind = np.any([q.fluctuation_row != 0 for q in components], axis=0)
    stated = enumerate(run.run.channels)
    return tuple(i for i, one in stated if behind[i] and one.gain_uncertainty)


def with_gains(run: RunAnalysis, channel: int | None = None) -> RunAnalysis:
    """The run's mean spectrum with one channel's gain a standard uncertainty higher.

    As its channels were read: what is taken out of the run besides, noise and lines and what
    follows a probe, is in, since two of these are only held against each other.
    """
    gains = np.ones(len(run.run.channels))
    if channel is not None:
        gains[channel] += run.run.channels[channel].gain_uncertainty or 0.0
    quantities = [
        replace(
            one,
            row=one.row * gains,
            inertial_row=None if one.inertial_row is None else one.inertial_row * gains,
        )
        for one in run.signal.quantities
    ]
    signal = reduce(run.spectra, run.run.channels, quantities, run.rig)
    return averaged(replace(run, signal=signal, noise=()))


def calibration_unseen(
    run: RunAnalysis, squares: Sequence[Array], at_m_s: Array, speeds_m_s: Array
) -> tuple[Unseen, ...]:
    """Variance of the logarithm of a mean square; none where no uncertainty is stated.

    The law of propagation with the sensitivity to each gain by a step of its uncertainty; gains
    and dynamic pressure, to whose inverse square the mean square goes, are independent. All runs
    share them, so that more of them do not lessen it.

    Parameters
    ----------
    squares : as read, then with each uncertain gain raised, each ``(n_tried,)``; none without
    at_m_s : (n_tried,), where they were tried
    speeds_m_s : (n_speeds,), where the variance is wanted
    """
    pressure = run.run.air.dynamic_pressure_uncertainty or 0.0
    if not squares and not pressure:
        return ()
    variance = np.full(len(at_m_s), (2 * pressure) ** 2)
    for raised in squares[1:]:
        there = (squares[0] > 0) & (raised > 0)
        ratio = np.divide(raised, squares[0], out=np.ones(len(at_m_s)), where=there)
        variance += np.log(ratio) ** 2
    return (Unseen(np.interp(speeds_m_s, at_m_s, variance), source=CALIBRATION),)
