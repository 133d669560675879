"""The cabin's pressure in a run: its channels, and mean squares with uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra

Array = NDArray[np.float64]

CABIN_PRESSURE = "cabin pressure"
NO_CHANNEL = (
    "no channel measures the cabin's pressure (it takes a tap or a microphone in the cabin, with "
    "measures = 'cabin pressure')"
)


def cabin_channels(run: RunAnalysis) -> tuple[int, ...]:
    """Positions of the quantities that measure the cabin's pressure, dead ones left out."""
    found = zip(run.signal.quantities, run.dead, strict=True)
    return tuple(
        i for i, (q, dead) in enumerate(found) if q.measures == CABIN_PRESSURE and not dead
    )


def has_cabin_channel(run: RunAnalysis) -> bool:
    """Whether one stands in the run's sheet, dead or alive."""
    return any(channel.measures == CABIN_PRESSURE for channel in run.run.channels)


def usable_band_hz(run: RunAnalysis, channels: Sequence[int]) -> tuple[float, float]:
    """Band of the run's own frequencies in which all these channels can be trusted."""
    low = FIRST_BIN * run.signal.frequency_step_hz
    return low, float(min(run.signal.usable_hz[index] for index in channels))


def mean_square_samples(
    run: RunAnalysis, channels: Sequence[int], weights: Callable[[ReducedSpectra], Array]
) -> Array:
    """Bootstrap samples of Σ w PSD Δf, mean over the channels, ``(1 + n_resamples, n_weights)``.

    Wind-off noise is taken out. Below the cabin's standing waves its air moves as one (half a wave
    of 20 Hz is 8.6 m long): channels read alike, and their mean is surer than the loudest one,
    which is the loudest by chance.

    Parameters
    ----------
    channels : positions of quantities of one family
    weights : of each bin's mean square, ``(n_weights, n_bins)``, of signal and noise spectra
    """

    def functional(spectra: ReducedSpectra) -> Array:
        psd = spectra.group_psd[:, list(channels)].mean(axis=1)
        return np.asarray(psd @ weights(spectra).T * spectra.frequency_step_hz)

    return run.samples(functional, run.resampling(channels[0]))
