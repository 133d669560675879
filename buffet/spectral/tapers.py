"""Multitaper spectra of long stretches, accumulated in the one pass."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock
from buffet.spectral.multitaper import (
    OFFSETS_BINS,
    TAPERS,
    adaptive_psd,
    curvature_allowance,
    f_ratio,
    line_power,
    minus_log_p,
    tapers,
    transforms,
)
from buffet.spectral.starts import LINE_WIDTH_BINS

Array = NDArray[np.float64]

# Segments in a stretch: the tapers' whole band is then one segment bin wide, so that lines are
# told from what segments resolve; longer ones would lose lines of fans that wander.
SEGMENTS_A_STRETCH = 8
# Bounds on memory: bins of all stretches kept a channel, samples a channel held.
MOST_BINS = 1 << 14
MOST_SAMPLES = 1 << 18


@dataclass(frozen=True)
class TaperSettings:
    """How a record is cut into stretches, end to end, and which frequencies are kept."""

    sample_rate_hz: float
    stretch_samples: int
    from_hz: float
    to_hz: float
    # Half-power bandwidth of the narrowest resonance that is no line, to the peak fit as well: a
    # background with tops as narrow must not pass for one.
    resonance_hz: float
    workers: int = 2

    @cached_property
    def bins(self) -> slice:
        """Bins kept of a stretch's transform: from `from_hz` to `to_hz`, without Nyquist's own."""
        step_hz = self.sample_rate_hz / self.stretch_samples
        last = min(int(self.to_hz / step_hz), (self.stretch_samples - 1) // 2)
        first = max(int(np.ceil(self.from_hz / step_hz)), 1)
        return slice(first, max(last + 1, first))

    @property
    def frequency_hz(self) -> Array:
        """Of the bins kept, ``(n_bins,)``."""
        step_hz = self.sample_rate_hz / self.stretch_samples
        return np.arange(self.bins.start, self.bins.stop, dtype=float) * step_hz


def stretch_settings(
    sample_rate_hz: float,
    segment_samples: int,
    record_samples: int,
    from_hz: float,
    to_hz: float,
    workers: int = 2,
) -> TaperSettings:
    """Stretches of about eight segments that use up the record; one where it is shorter.

    Parameters
    ----------
    record_samples : of the record, or of what is known of a longer one
    from_hz, to_hz : frequencies of interest
    """
    from scipy.fft import next_fast_len

    of_bins = int(MOST_BINS * sample_rate_hz / max(to_hz, sample_rate_hz / MOST_SAMPLES))
    wanted = min(SEGMENTS_A_STRETCH * segment_samples, of_bins, MOST_SAMPLES)
    count = max(1, round(record_samples / wanted))
    length = min(record_samples // count, MOST_SAMPLES)
    while next_fast_len(length, real=True) != length:
        length -= 1
    resonance_hz = LINE_WIDTH_BINS * sample_rate_hz / segment_samples
    return TaperSettings(sample_rate_hz, length, from_hz, to_hz, resonance_hz, workers)


@dataclass(frozen=True)
class TaperSpectra:
    """Multitaper spectra of a record's stretches; arrays are locked.

    Lines are looked for at `scan_hz`, six places a bin. Each stretch's F has a probability by
    chance, whatever its own level; their logarithms add up (Fisher 1925: -2 Σ log p is chi² of
    two degrees of freedom a stretch). Sums of the stretches' powers instead would take a record
    for one of lines where its level changes from stretch to stretch.
    """

    settings: TaperSettings
    n_stretches: int
    psd: Array  # (n_channels, n_bins), one-sided, adaptive weights, lines and all
    degrees_of_freedom: Array  # (n_channels, n_bins)
    noise_psd: Array  # (n_channels, n_scan), one-sided, of what a line there does not explain
    line_variance: Array  # (n_channels, n_scan), of a line there; unit²
    evidence: Array  # (n_channels, n_scan), Σ -log p over the stretches
    allowance: float  # what F was divided by: what the top of a narrow resonance lends it

    def __post_init__(self) -> None:
        lock(self)

    @property
    def frequency_hz(self) -> Array:
        """Bins of `psd`, ``(n_bins,)``."""
        return self.settings.frequency_hz

    @property
    def frequency_step_hz(self) -> float:
        """Distance of the bins."""
        return self.settings.sample_rate_hz / self.settings.stretch_samples

    @property
    def stretch_s(self) -> float:
        """Length of a stretch."""
        return self.settings.stretch_samples / self.settings.sample_rate_hz

    @property
    def scan_hz(self) -> Array:
        """Frequencies at which a line is looked for, ``(n_scan,)``."""
        places = self.frequency_hz[:, None] + OFFSETS_BINS * self.frequency_step_hz
        return np.asarray(places.ravel())

    @property
    def p_values(self) -> Array:
        """Of a line at each place, not corrected for their number, ``(n_channels, n_scan)``."""
        from scipy.special import chdtrc

        return np.asarray(chdtrc(2 * self.n_stretches, 2 * self.evidence))

    @property
    def f_ratio(self) -> Array:
        """Thomson's F as measured, ``(n_channels, n_scan)``.

        Of several stretches the one that, shown by each, would speak as strongly for a line.
        """
        return self._as_f(self.evidence)

    def threshold(self, p_value: float) -> float:
        """Of `f_ratio` for a probability by chance."""
        from scipy.special import chdtri

        return float(self._as_f(np.array(chdtri(2 * self.n_stretches, p_value) / 2)))

    def _as_f(self, evidence: Array) -> Array:
        mean = evidence / self.n_stretches / (TAPERS - 1)
        return np.asarray(self.allowance * (TAPERS - 1) * np.expm1(mean))


class TaperAccumulator:
    """Takes a record block by block and adds up its stretches; holds one stretch at a time."""

    def __init__(self, n_channels: int, settings: TaperSettings) -> None:
        self.settings = settings
        self._tapers = tapers(settings.stretch_samples)
        step_hz = settings.sample_rate_hz / settings.stretch_samples
        self._allowance = curvature_allowance(settings.resonance_hz / step_hz)
        self._buffer = np.empty((n_channels, settings.stretch_samples))
        self._held = self._n_stretches = 0
        n_bins = len(settings.frequency_hz)
        scanned = (n_channels, len(OFFSETS_BINS), n_bins)
        self._psd, self._scatter, self._total = np.zeros((3, n_channels, n_bins))
        # sums over stretches need no more than single precision: half the memory
        self._explained = np.zeros(scanned, np.float32)
        self._evidence = np.zeros(scanned, np.float32)
        self._pool = ThreadPoolExecutor(max(1, settings.workers))

    def push(self, block: Array) -> None:
        """Take in samples of shape ``(n_channels, n)``, any n."""
        start = 0
        while start < block.shape[1]:
            count = min(block.shape[1] - start, self.settings.stretch_samples - self._held)
            end = self._held + count
            self._buffer[:, self._held : end] = block[:, start : start + count]
            self._held, start = end, start + count
            if self._held == self.settings.stretch_samples:
                list(self._pool.map(self._add, range(len(self._buffer))))
                self._n_stretches += 1
                self._held = 0

    def _add(self, channel: int) -> None:
        """One channel's stretch, about its own mean."""
        samples = self._buffer[channel] - self._buffer[channel].mean()
        rate_hz = self.settings.sample_rate_hz
        coefficients = transforms(samples, self._tapers, self.settings.bins)
        psd, freedom = adaptive_psd(coefficients, self._tapers, float(samples.var()), rate_hz)
        total = np.sum(np.abs(coefficients) ** 2, axis=0)
        explained = line_power(coefficients, self._tapers)
        self._psd[channel] += psd
        self._scatter[channel] += 1 / np.maximum(freedom, 1.0)
        self._total[channel] += total
        self._explained[channel] += explained
        self._evidence[channel] += minus_log_p(f_ratio(explained, total) / self._allowance)

    def finish(self) -> TaperSpectra:
        """Close the record and return what was accumulated.

        Raises
        ------
        ValueError
            The record does not fill one stretch.
        """
        self._pool.shutdown()
        settings, n = self.settings, self._n_stretches
        if not n:
            raise ValueError("the record does not fill one stretch")
        rest = self._total[:, None] - self._explained
        amplitude = 2 * self._explained / self._tapers.energy[:, None] / n  # A² / 2
        return TaperSpectra(
            settings,
            n,
            self._psd / n,
            n**2 / self._scatter,
            _scanned(2 * rest / ((TAPERS - 1) * n * settings.sample_rate_hz)),
            _scanned(amplitude),
            _scanned(self._evidence),
            self._allowance,
        )


def _scanned(values: NDArray[np.floating]) -> Array:
    """From ``(n_channels, n_offsets, n_bins)`` to rising frequency, ``(n_channels, n_scan)``."""
    return np.asarray(values.transpose(0, 2, 1).reshape(len(values), -1), float)
