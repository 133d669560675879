"""What is felt at the seat over time, from a run's samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.quantity_samples import quantity_samples
from buffet.rating.motions import MotionName
from buffet.rating.ride_metrics import RideSetting
from buffet.road_speed import frequency_ratio
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import COMPONENTS

Array = NDArray[np.float64]

# Road seconds at a record's start in which the car still answers to the time before it, of which
# nothing is known: a heave mode of 1.2 Hz and a fifth of critical damping is down to 5 % by then.
SETTLING_S = 2.0


@dataclass(frozen=True)
class SeatHistory:
    """One motion of the car in one run's wake at one road speed."""

    rate_hz: float  # of the road's time
    values: Array  # (n_samples,), weighted, in the motion's unit

    @property
    def duration_s(self) -> float:
        """On the road."""
        return len(self.values) / self.rate_hz


def seat_histories(
    run: RunAnalysis,
    setting: RideSetting,
    motion: MotionName,
    words: Sequence[str],
    band_hz: tuple[float, float],
) -> list[SeatHistory]:
    """A motion over road time at each road speed of `setting`, in a band of road frequencies.

    The components' samples through the motion's rows, by Fourier transform; they are as read, with
    lines and with what follows a reference probe.

    Parameters
    ----------
    words : components that count
    band_hz : road frequencies outside which nothing is kept

    Raises
    ------
    ValueError
        The analysis holds no copy of the samples.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    indices = [index for word in words if (index := run.fluctuation(word)) is not None]
    columns = [COMPONENTS.index(run.signal.quantities[index].measures) for index in indices]
    samples = quantity_samples(run, indices)
    samples -= samples.mean(axis=1, keepdims=True)
    assert run.copy is not None
    ratio = frequency_ratio(run, setting.speeds_m_s)
    n = samples.shape[1]
    length = next_fast_len(n, real=True)
    bins = rfft(samples, length, axis=1)
    model_hz = np.arange(bins.shape[1]) * (run.copy.rate_hz / length)
    moved = np.zeros((len(ratio), len(model_hz)), complex)
    for at, own_ratio in enumerate(ratio):
        road_hz = model_hz * own_ratio
        first = int(np.searchsorted(road_hz, band_hz[0]))
        kept = slice(first, int(np.searchsorted(road_hz, band_hz[1], side="right")))
        rows = setting.rows(motion, road_hz[None, kept], slice(at, at + 1))[0, :, columns]
        moved[at, kept] = np.einsum("cf,cf->f", rows, bins[:, kept])
    history = irfft(moved, length, axis=1)[:, :n]
    rates = run.copy.rate_hz * ratio
    return [
        SeatHistory(float(rate), own[min(n, round(SETTLING_S * rate)) :])
        for rate, own in zip(rates, history, strict=True)
    ]
