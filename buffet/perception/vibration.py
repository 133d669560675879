"""Measures of a weighted vibration over time, and whether its r.m.s. value says enough."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from buffet.perception.sampled import VibrationRecordError, checked_samples
from buffet.spectral.locking import lock

Array = NDArray[np.float64]

# Integration time of the running r.m.s. value (ISO 2631-1:1997 6.3.1 recommends 1 s).
RUNNING_S = 1.0
# Above these the r.m.s. value alone is not enough: ISO 2631-1:1997 6.2.2 for the crest factor, and
# 6.3.3 for the other two (from memory).
CREST_FACTOR_LIMIT = 9.0
RUNNING_RATIO_LIMIT = 1.5
DOSE_RATIO_LIMIT = 1.75
# ISO 2631-1:1997 Annex B (from memory). Of a Gaussian vibration it would be 3^(1/4) = 1.316.
ESTIMATED_DOSE_FACTOR = 1.4


@dataclass(frozen=True)
class BasicMethodTest:
    """One of the standard's tests of whether the r.m.s. value is enough."""

    measure: str
    section: str  # of ISO 2631-1:1997
    value: Array  # (n_channels,), 1; NaN where nothing moves
    limit: float

    def __post_init__(self) -> None:
        """Lock the arrays."""
        lock(self)

    @property
    def is_exceeded(self) -> NDArray[np.bool_]:
        """Whether the r.m.s. value may tell too little, ``(n_channels,)``."""
        return np.asarray(self.value > self.limit)


@dataclass(frozen=True)
class VibrationMeasures:
    """What ISO 2631-1:1997 measures of weighted acceleration; arrays ``(n_channels,)``."""

    duration_s: float
    rms_m_s2: Array
    peak_m_s2: Array  # largest magnitude
    largest_running_rms_m_s2: Array  # MTVV, over 1 s
    dose_m_s1_75: Array  # VDV

    def __post_init__(self) -> None:
        """Lock the arrays."""
        lock(self)

    @property
    def crest_factor(self) -> Array:
        """Peak over r.m.s. (6.2.1); NaN where nothing moves."""
        return _over(self.peak_m_s2, self.rms_m_s2)

    @property
    def estimated_dose_m_s1_75(self) -> Array:
        """Dose of the r.m.s. value over the duration."""
        return estimated_dose(self.rms_m_s2, self.duration_s)

    @property
    def basic_method_tests(self) -> tuple[BasicMethodTest, ...]:
        """Crest factor, MTVV / a_w and VDV / (a_w T^(1/4)) against their limits."""
        steady_dose = self.rms_m_s2 * self.duration_s**0.25
        return (
            BasicMethodTest("crest factor", "6.2.2", self.crest_factor, CREST_FACTOR_LIMIT),
            BasicMethodTest(
                "largest running r.m.s. over r.m.s.",
                "6.3.3",
                _over(self.largest_running_rms_m_s2, self.rms_m_s2),
                RUNNING_RATIO_LIMIT,
            ),
            BasicMethodTest(
                "vibration dose over that of a steady r.m.s.",
                "6.3.3",
                _over(self.dose_m_s1_75, steady_dose),
                DOSE_RATIO_LIMIT,
            ),
        )

    @property
    def rms_is_enough(self) -> NDArray[np.bool_]:
        """Whether no test is exceeded, ``(n_channels,)``."""
        return np.asarray(~np.any([test.is_exceeded for test in self.basic_method_tests], axis=0))


def measures(weighted_m_s2: ArrayLike, sample_rate_hz: float) -> VibrationMeasures:
    """Return the measures of weighted acceleration, ``(n_channels, n_samples)`` or one channel.

    The filter's first `settling_s` is to be cut off before, where it was not at rest.

    Raises
    ------
    VibrationRecordError
        The record is shorter than 1 s, has a sample that is not a number, or no rate.

    References
    ----------
    ISO 2631-1:1997 6.1 and 6.3.
    """
    record = np.atleast_2d(checked_samples(weighted_m_s2, sample_rate_hz))
    return VibrationMeasures(
        record.shape[-1] / sample_rate_hz,
        rms(record),
        np.abs(record).max(axis=-1),
        running_rms(record, sample_rate_hz).max(axis=-1),
        vibration_dose(record, sample_rate_hz),
    )


def rms(weighted: ArrayLike) -> Array:
    """Return the r.m.s. value of ``(..., n_samples)``, in its unit (ISO 2631-1:1997 Eq. 1)."""
    return np.asarray(np.sqrt(np.mean(np.square(np.asarray(weighted, np.float64)), axis=-1)))


def running_rms(weighted: ArrayLike, sample_rate_hz: float, window_s: float = RUNNING_S) -> Array:
    """Return the running r.m.s. value, ``(..., n_samples - n_window + 1)``, in the input's unit.

    Linear: √(1/τ ∫ a² dt) over the τ before each time, whole windows only. The first value belongs
    to the end of the first window. The largest is the maximum transient vibration value, MTVV.

    Raises
    ------
    VibrationRecordError
        The record is shorter than the window or the window than a sample; or as `measures`.

    References
    ----------
    ISO 2631-1:1997 6.3.1, Eq. (2) and (4).
    """
    record = checked_samples(weighted, sample_rate_hz)
    n_window = round(window_s * sample_rate_hz)
    if not 1 <= n_window <= record.shape[-1]:
        raise VibrationRecordError(
            f"a running r.m.s. over {window_s:g} s needs a sample in it and a record as long, got "
            f"{record.shape[-1]} samples at {sample_rate_hz:g} Hz "
            f"({record.shape[-1] / sample_rate_hz:g} s): give a longer record"
        )
    ends = np.cumsum(np.square(record), axis=-1)
    total = ends[..., n_window - 1 :].copy()
    total[..., 1:] -= ends[..., :-n_window]
    # Rounding of the sums leaves a little below zero where nothing moves.
    return np.asarray(np.sqrt(np.maximum(total, 0) / n_window))


def vibration_dose(weighted_m_s2: ArrayLike, sample_rate_hz: float) -> Array:
    """Return the vibration dose VDV = (∫ a⁴ dt)^(1/4) of ``(..., n_samples)``, m/s^1.75.

    References
    ----------
    ISO 2631-1:1997 6.3.2, Eq. (5).
    """
    fourth = np.sum(np.asarray(weighted_m_s2, np.float64) ** 4, axis=-1) / sample_rate_hz
    return np.asarray(fourth**0.25)


def estimated_dose(rms_m_s2: ArrayLike, duration_s: float) -> Array:
    """Return the estimated dose 1.4 a_w T^(1/4), m/s^1.75, of an r.m.s. value over a duration.

    For vibration without shocks; British practice has it up to a crest factor of 6.

    References
    ----------
    ISO 2631-1:1997 Annex B; BS 6841:1987 (both from memory).
    """
    return np.asarray(ESTIMATED_DOSE_FACTOR * np.asarray(rms_m_s2, np.float64) * duration_s**0.25)


def _over(value: Array, reference: Array) -> Array:
    moves = reference > 0
    return np.asarray(np.divide(value, reference, out=np.full_like(value, np.nan), where=moves))
