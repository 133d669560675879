"""The inverse of a tubing's response as a filter on samples, block by block."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from ingest.channel import Channel
from ingest.rig import RigResponse

Array = NDArray[np.float64]

# Of half the sample rate: a delay that is no whole number of samples cannot reach further without
# ringing through the record (engineering judgement).
HIGHEST_SHARE = 0.9
# Beyond the band the filter falls to nothing within this share of the band's end.
TAPER_SHARE = 0.25
# Reciprocal widths of that fall that a kernel is designed over; what lies outside is not seen.
DESIGN_LENGTHS = 16
LONGEST_DESIGN = 1 << 20  # samples; a narrower fall is widened to fit
LEFT_OUT = 1e-10  # of a kernel's energy, cut off at its ends
SHORTEST_FRAME = 1 << 14  # samples a transform


def inverse_kernel(rig: RigResponse, channel: Channel) -> tuple[Array, float]:
    """A filter that gives the tap's samples from the sensor's, and up to which frequency.

    ``(2 m + 1,)``, centred: the output belongs to the moment of the middle input. Its response is
    1 / H in the band, within the bound on amplification, and falls to zero behind it as a squared
    cosine. A constant stays as it is.
    """
    nyquist_hz = rig.sample_rate_hz / 2
    to_hz = min(rig.usable_to_hz(channel), HIGHEST_SHARE * nyquist_hz)
    narrowest_hz = DESIGN_LENGTHS * rig.sample_rate_hz / LONGEST_DESIGN
    fall_hz = min(max(TAPER_SHARE * to_hz, narrowest_hz), nyquist_hz - to_hz)
    n = 1 << int(np.ceil(np.log2(DESIGN_LENGTHS * rig.sample_rate_hz / fall_hz)))
    frequency = np.linspace(0, nyquist_hz, n // 2 + 1)
    share = np.clip((frequency - to_hz) / fall_hz, 0, 1)
    wanted = rig.gain(frequency, channel) * np.cos(np.pi / 2 * share) ** 2
    kernel = np.fft.fftshift(np.fft.irfft(wanted, n))
    half = _half_length(kernel)
    kernel = kernel[n // 2 - half : n // 2 + half + 1]
    return kernel / kernel.sum(), to_hz


def _half_length(kernel: Array) -> int:
    """Samples on either side of the middle that hold all but a trace of the energy."""
    middle = len(kernel) // 2
    sides = kernel[middle + 1 :] ** 2 + kernel[middle - 1 : 0 : -1] ** 2
    outside = np.cumsum(sides[::-1])[::-1]  # beyond each distance from the middle
    over = np.flatnonzero(outside > LEFT_OUT * np.sum(kernel**2))
    return int(over[-1]) + 1 if over.size else 0


class TubeFilter:
    """Filters some rows of a stream and delays the others alike, in bounded memory.

    Frames of a fixed length begin at the record's first sample, so that what comes out does not
    hang on how the stream was cut into blocks. Before the first sample and behind the last their
    values are held: within half a kernel of either end the output rests on them.
    """

    def __init__(self, n_rows: int, kernels: Mapping[int, Array]) -> None:
        self._rows = sorted(kernels)
        self.half = max((len(k) // 2 for k in kernels.values()), default=0)
        length = 2 * self.half + 1
        self._frame = max(SHORTEST_FRAME, 1 << int(np.ceil(np.log2(4 * length))))
        padded = [np.pad(kernels[row], self.half - len(kernels[row]) // 2) for row in self._rows]
        self._response = np.fft.rfft(np.array(padded).reshape(-1, length), self._frame, axis=1)
        self._held = np.empty((n_rows, 0))

    def push(self, block: Array) -> Iterator[Array]:
        """Samples (n_rows, n) in, those that are known by now out, in order."""
        if block.shape[1] == 0:
            return
        if self._held.shape[1] == 0:
            block = np.concatenate([np.repeat(block[:, :1], self.half, axis=1), block], axis=1)
        self._held = np.concatenate([self._held, block], axis=1)
        while self._held.shape[1] >= self._frame:
            yield self._take(self._frame - 2 * self.half)

    def finish(self) -> Iterator[Array]:
        """What the last samples still give."""
        if self._held.shape[1] == 0:
            return
        last = np.repeat(self._held[:, -1:], self.half, axis=1)
        self._held = np.concatenate([self._held, last], axis=1)
        while (due := self._held.shape[1] - 2 * self.half) > 0:
            yield self._take(min(due, self._frame - 2 * self.half))

    def _take(self, n: int) -> Array:
        """The next n outputs."""
        result = self._held[:, self.half : self.half + n].copy()
        frame = self._held[self._rows, : self._frame]
        spectrum = np.fft.rfft(frame, self._frame, axis=1) * self._response
        filtered = np.fft.irfft(spectrum, self._frame, axis=1)
        result[self._rows] = filtered[:, 2 * self.half : 2 * self.half + n]
        self._held = self._held[:, n:]
        return result
