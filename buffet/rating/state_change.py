"""The jolt at the seat when a wake changes its state."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.perception.largest_running import DRIVING_TIME_S
from buffet.rating.car_spread import CAR
from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motions import RIDE
from buffet.rating.pool import Pool
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.scatter import RUN_TO_RUN
from buffet.road_speed import frequency_ratio
from buffet.spectral.reduction import COMPONENTS
from buffet.spectral.uncertainty import LogEstimate, Unseen
from buffet.switching.force_states import ForceStates
from buffet.switching.two_states import RELIABLE_CHANGES

Array = NDArray[np.float64]

# The transient's frequencies: up to where Wk ends, so fine that it has died away in a period.
STEP_HZ, TOP_HZ = 0.05, 100.0
FEW = f"the wake changed its state fewer than {RELIABLE_CHANGES} times in the records"
NO_COPY = "the runs' samples were not kept"


def state_change_curve(pool: Pool, row: Criterion) -> MetricCurve:
    """Peak of the weighted seat acceleration after a change, at least one in the driving time.

    The forces step from one state's means to the other's at once: a wake that takes its time
    shakes less. Of the runs' peaks the geometric mean; they scatter by their levels' own errors,
    or by as much as they lie apart where that is more. In wind runs of all yaw angles count alike.
    """
    speeds_m_s = pool.setting.speeds_m_s
    why = pool.why_not("seat z") or (NO_COPY if pool.states is None else pool.states.why_none)
    if why is not None or pool.states is None:
        return MetricCurve(row, None, why, np.zeros(len(speeds_m_s), bool))
    runs = pool.states.runs
    steps = np.array([run.step for run in runs])
    variances = np.array([run.variance for run in runs])
    peaks, own = step_peaks(pool.setting, steps, variances)
    logs = np.log(peaks)
    alone = own.mean(axis=0) / len(runs)
    between = logs.var(axis=0, ddof=1) / len(runs) if len(runs) > 1 else np.zeros(len(speeds_m_s))
    unseen = (
        Unseen(4 * np.maximum(between - alone, 0), source=RUN_TO_RUN),
        _of_other_cars(pool, steps, variances),
        # A step of the forces scales with the gains as their fluctuation does.
        *pool.calibration_of("seat z", row.band_hz),
    )
    variance = alone + sum(np.asarray(one.variance) for one in unseen) / 4
    freedom = np.where(between > alone, max(len(runs) - 1, 1), max(pool.states.changes - 1, 1))
    shift = sum(np.asarray(one.shift) for one in unseen) / 2
    estimate = LogEstimate(
        np.exp(logs.mean(axis=0) + shift),
        np.sqrt(variance),
        float(pool.states.changes),
        mixed_freedom=freedom.astype(float),
    )
    covered = pool.motion("seat z").covered(row, np.zeros(len(speeds_m_s)))
    covered &= pool.setting.answers("seat z")
    occurs = 1 - np.exp(-DRIVING_TIME_S * changes_a_second(runs, speeds_m_s))
    unsure = too_few_changes(pool)
    return MetricCurve(row, estimate, None, covered, unseen=unseen, occurs=occurs, unsure=unsure)


def too_few_changes(pool: Pool) -> str | None:
    """Why no interval of a wake of two states is to be relied on; None where they are."""
    if pool.states is None or not pool.states.runs or pool.states.changes >= RELIABLE_CHANGES:
        return None
    return FEW


def step_responses(setting: RideSetting) -> Array:
    """Weighted seat acceleration after a step of one in each coefficient of `RIDE`.

    Shape ``(n_speeds, n_times, 3)``, m/s², from the step on; the inverse transform of the motion's
    row over i 2π f, the transform of a step without its mean, which the car does not feel.
    """
    from scipy.fft import irfft

    frequency_hz = np.arange(round(TOP_HZ / STEP_HZ) + 1) * np.float64(STEP_HZ)
    rows = setting.rows("seat z", frequency_hz)[..., [COMPONENTS.index(word) for word in RIDE]]
    rows[:, 1:] /= (2j * np.pi * frequency_hz[1:])[:, None]
    rows[:, 0] = 0
    return np.asarray(irfft(rows, axis=1) * 2 * TOP_HZ)


def step_peaks(setting: RideSetting, steps: Array, variances: Array) -> tuple[Array, Array]:
    """Largest magnitude after each step and its logarithm's variance, ``(n_steps, n_speeds)``.

    Parameters
    ----------
    steps, variances : (n_steps, 3), of the coefficients of `RIDE`
    """
    responses = step_responses(setting)
    history = np.einsum("vtc,sc->svt", responses, steps)
    at = np.abs(history).argmax(axis=2)
    peaks = np.take_along_axis(np.abs(history), at[..., None], axis=2)[..., 0]
    there = responses[np.arange(len(responses)), at]  # (n_steps, n_speeds, 3)
    return peaks, np.einsum("svc,sc->sv", there**2, variances) / peaks**2


def changes_a_second(runs: Sequence[ForceStates], speeds_m_s: Array) -> Array:
    """Changes of state on the road, ``(n_speeds,)``."""
    driven_s = [one.duration_s / frequency_ratio(one.run, speeds_m_s) for one in runs]
    return np.asarray(sum(one.changes for one in runs) / np.sum(driven_s, axis=0))


def _of_other_cars(pool: Pool, steps: Array, variances: Array) -> Unseen:
    if pool.drawn is None:
        return Unseen(0.0, source=CAR)
    others = pool.drawn.setting
    peaks, _ = step_peaks(others, steps, variances)
    squares = np.exp(2 * np.log(peaks).mean(axis=0)) * others.answers("seat z")
    return pool.drawn.unseen(squares, pool.setting.speeds_m_s)
