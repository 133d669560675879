"""The cross-spectral matrix of a run's pressure taps: in coefficients, at the taps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.run_analysis import RunAnalysis
from buffet.spectral.conditioned import ProbeResponse
from buffet.spectral.segments import SegmentSpectra, few_bins
from ingest import Channel

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def live_taps(analysis: RunAnalysis) -> list[int]:
    """Quantities of the run that are pressure taps and not dead."""
    return [
        index
        for index, quantity in enumerate(analysis.signal.quantities)
        if quantity.measures == "pressure" and not analysis.dead[index]
    ]


def channel_of(analysis: RunAnalysis, index: int) -> int:
    """Position of the one channel behind a tap's quantity."""
    return int(np.flatnonzero(analysis.signal.quantities[index].row)[0])


@dataclass(frozen=True)
class TapSpectra:
    """Some taps of one run; matrices are made of a few bins at a time, since all may be large."""

    spectra: SegmentSpectra
    channels: tuple[int, ...]
    scale: Complex  # (n_taps, n_bins), from readings to coefficients at the tap
    frequency_hz: Array  # (n_bins,), up to the end of the band that all taps have
    averages: float
    probes: tuple[int, ...] = ()  # channels of what is taken out
    probe_scale: Complex | None = None  # (n_probes, n_bins)
    response: Complex | None = None  # (n_taps, n_probes, n_bins), of the taps to the probes
    unbiased: float = 1.0

    @staticmethod
    def of(analysis: RunAnalysis, taps: Sequence[int]) -> TapSpectra:
        """Of quantities `taps`, without the tunnel's part where the run is without it."""
        signal = analysis.signal
        bins = int(signal.usable_bins[list(taps)].all(axis=0).sum())
        channels = tuple(channel_of(analysis, i) for i in taps)
        rows = [signal.quantities[i].row[c] for i, c in zip(taps, channels, strict=True)]
        scale = signal.gain[list(channels), :bins] * np.array(rows)[:, None]
        plain = TapSpectra(
            analysis.spectra, channels, scale, signal.frequency_hz[:bins], signal.effective_segments
        )
        follows = analysis.follows if analysis.as_read is not None else None
        return plain if follows is None else plain._without(follows, signal.gain, taps)

    def _without(self, follows: ProbeResponse, gain: Complex, taps: Sequence[int]) -> TapSpectra:
        bins = len(self.frequency_hz)
        return TapSpectra(
            self.spectra,
            self.channels,
            self.scale,
            self.frequency_hz,
            self.averages,
            follows.probes,
            gain[list(follows.probes), :bins],
            follows.response[list(taps), :, :bins],
            follows.unbiased,
        )

    def matrix(self, bins: slice) -> Complex:
        """E[X_i conj(X_j)] as one-sided densities, ``(bins, n_taps, n_taps)``."""
        own = list(self.channels)
        whole = self.spectra.matrix(bins)
        scale = self.scale[:, bins].T
        read = whole[:, own][:, :, own] * scale[:, :, None] * scale.conj()[:, None, :]
        if self.response is None or self.probe_scale is None:
            return np.asarray(read)
        # H = S_yx S_xx⁻¹ leaves S_yy - H S_xy
        probe = self.probe_scale[:, bins].T
        cross = whole[:, list(self.probes)][:, :, own]
        cross = cross * probe[:, :, None] * scale.conj()[:, None, :]
        response = self.response[:, :, bins].transpose(2, 0, 1)
        return np.asarray((read - response @ cross) * self.unbiased)

    def pieces(self) -> Iterator[tuple[slice, Complex]]:
        """All bins, some at a time."""
        for piece in few_bins(len(self.frequency_hz)):
            yield piece, self.matrix(piece)


def noise_covariance(analysis: RunAnalysis, taps: Sequence[int], to_hz: float) -> Array | None:
    """Covariance of the taps without wind up to a frequency; None where there is no such run."""
    parts = [
        _covariance(floor.segments, floor.spectra.gain, analysis, taps, to_hz)
        for floor in analysis.noise
        if floor.segments is not None
    ]
    return np.asarray(np.mean(parts, axis=0)) if parts else None


def _covariance(
    segments: SegmentSpectra,
    gain: Complex,
    analysis: RunAnalysis,
    taps: Sequence[int],
    to_hz: float,
) -> Array:
    channels = tuple(channel_of(analysis, i) for i in taps)
    frequency = segments.frequency_hz[: gain.shape[1]]
    frequency = frequency[frequency <= to_hz]
    quantities = analysis.signal.quantities
    rows = np.array([quantities[i].row[c] for i, c in zip(taps, channels, strict=True)])
    scale = gain[list(channels), : len(frequency)] * rows[:, None]
    noise = TapSpectra(segments, channels, scale, frequency, segments.effective_segments)
    total = sum(matrix.real.sum(axis=0) for _, matrix in noise.pieces())
    return np.asarray(total * segments.frequency_step_hz)


def stated(analysis: RunAnalysis, index: int) -> Channel:
    """The channel of a tap as the sheet states it."""
    return analysis.run.channels[channel_of(analysis, index)]
