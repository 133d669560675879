"""A run's quantities over time, from the decimated copy of its channels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from buffet.run_analysis import RunAnalysis
from buffet.spectral.decimated import DecimatedRecord

Array = NDArray[np.float64]

# Mirrored samples at either end, so that neither wraps onto the other where a response is taken
# out: far longer than any response that a usable band leaves (engineering judgement).
MIRRORED_SAMPLES = 1024
TUNNEL = "what follows the reference probes"


def true_to_hz(analysis: RunAnalysis, index: int) -> float | None:
    """Highest frequency in a quantity's samples; None where no copy was made."""
    if analysis.copy is None:
        return None
    return min(analysis.copy.to_hz, float(analysis.signal.usable_hz[index]))


def quantity_samples(analysis: RunAnalysis, indices: Sequence[int] | None = None) -> Array:
    """Samples of `analysis.signal.quantities`, or of those asked for, ``(n_quantities, n)``.

    At the times of `analysis.copy`, with the mean (offset and all) that the run's results state.
    The rig's response is taken out as in the spectra, and nothing is left above `true_to_hz`.
    They are as read: what follows a reference probe is in them.

    Raises
    ------
    ValueError
        The analysis holds no copy of a channel.
    """
    if analysis.copy is None:
        raise ValueError("the run was analysed without a copy of its samples")
    quantities = analysis.signal.quantities
    chosen = range(len(quantities)) if indices is None else indices
    result = np.empty((len(chosen), analysis.copy.n_samples))
    for place, index in enumerate(chosen):
        result[place] = _fluctuation(analysis, analysis.copy, index) + analysis.signal.mean[index]
    return result


def held_in_samples(analysis: RunAnalysis) -> tuple[str, ...]:
    """What is taken out of the run's spectra but not of its samples."""
    lines = () if analysis.with_lines is None else ("the lines",)
    tunnel = () if analysis.as_read is None else (TUNNEL,)
    return (*lines, *tunnel)


def _fluctuation(analysis: RunAnalysis, copy: DecimatedRecord, index: int) -> Array:
    """One quantity about its mean, shape ``(n,)``."""
    quantity = analysis.signal.quantities[index]
    used = np.flatnonzero(quantity.fluctuation_row)
    to_hz = min(copy.to_hz, float(analysis.signal.usable_hz[index]))
    total = np.zeros(copy.n_samples)
    if copy.n_samples == 0:
        return total
    plain = to_hz >= copy.rate_hz / 2
    for channel in used.tolist():
        samples = copy.channel(channel, float(analysis.spectra.mean[channel]))
        if not plain or _responds(analysis, channel):
            samples = _corrected(analysis, channel, samples, copy.rate_hz, to_hz)
        total += quantity.fluctuation_row[channel] * samples
    return total


def _responds(analysis: RunAnalysis, channel: int) -> bool:
    """Whether the rig changes what this channel reads."""
    stated = analysis.run.channels[channel]
    return stated.natural_frequency_hz is not None or stated.tubing is not None


def _corrected(
    analysis: RunAnalysis, channel: int, samples: Array, rate_hz: float, to_hz: float
) -> Array:
    """Without the rig's response, and without what lies above `to_hz`."""
    from scipy.fft import irfft, next_fast_len, rfft

    mirrored = min(MIRRORED_SAMPLES, len(samples) - 1)
    padded = np.pad(samples, mirrored, mode="reflect")
    length = next_fast_len(len(padded), real=True)
    # the gap is bridged, not zero: a jump would ring
    padded = np.pad(padded, (0, length - len(padded)), mode="edge")
    bins = rfft(padded)
    frequency_hz = np.arange(len(bins)) * np.float64(rate_hz / length)
    kept = int(np.searchsorted(frequency_hz, to_hz, side="right"))
    bins[:kept] *= analysis.rig.gain(frequency_hz[:kept], analysis.run.channels[channel])
    bins[kept:] = 0
    return np.asarray(irfft(bins, length)[mirrored : mirrored + len(samples)])
