"""A low-passed, decimated copy of a record's channels, made block by block in bounded memory."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.locking import lock

Array = NDArray[np.float64]
Single = NDArray[np.float32]

# Values of all channels that a copy holds; 64 MB in single precision, which tells a fluctuation
# from its rounding by 140 dB. What would exceed it is halved in rate, not refused.
MOST_VALUES = 16_000_000
# Of a copy's Nyquist frequency, up to which it is true: a narrower guard takes longer filters
# for little (engineering judgement).
TRUE_SHARE = 0.8
# What a stage leaves of that which would fold onto the true band: 90 dB down by design, so that
# 80 dB hold with all stages' ripple and single precision; the pass band's ripple is the same.
STOP_BAND_DB = 90.0
# Samples of one channel filtered in one go, so that they stay in a core's cache.
CHUNK = 8192


@dataclass(frozen=True)
class DecimatedRecord:
    """Channels of a record at a lower rate; arrays are locked.

    Sample i stands at `start_s` + i / `rate_hz` of the record. Nothing is shifted in time.
    """

    rate_hz: float
    start_s: float
    to_hz: float  # highest frequency that it holds truly
    offset: Array  # (n_channels,), SI, somewhere near the mean
    about_offset: Single  # (n_channels, n), SI; with a large mean the sum would lose its digits
    channels: tuple[int, ...]  # (n_channels,), which of the record's they are

    def __post_init__(self) -> None:
        lock(self)

    @property
    def n_samples(self) -> int:
        """Samples a channel."""
        return int(self.about_offset.shape[1])

    @property
    def time_s(self) -> Array:
        """From the record's start, shape ``(n,)``."""
        return self.start_s + np.arange(self.n_samples) / self.rate_hz

    @property
    def samples(self) -> Array:
        """All of them with their means, SI, ``(n_channels, n)``; made anew at each call."""
        return np.asarray(self.about_offset + self.offset[:, None])

    def channel(self, channel: int, mean: float = 0.0) -> Array:
        """One of the record's channels about a mean, SI, shape ``(n,)``.

        Raises
        ------
        ValueError
            The copy does not hold it.
        """
        row = self.channels.index(channel)
        return np.asarray(self.about_offset[row] + (self.offset[row] - mean))


def half_band(pass_share: float) -> Array:
    """Taps of a linear-phase filter that passes frequencies up to a share of the sampling rate.

    It stops what folds onto those when every second sample is left out, from one half less
    `pass_share` on. Odd in number; every second one is zero but the middle, which is one half.
    Kaiser's window and his rule for its length (Oppenheim & Schafer 2010, Discrete-Time Signal
    Processing, 3rd ed., section 7.6).
    """
    transition = 2 * np.pi * (0.5 - 2 * pass_share)
    least = (STOP_BAND_DB - 7.95) / (2.285 * transition)
    quarter = max(0, math.ceil((least - 2) / 4))
    places = np.arange(-2 * quarter - 1, 2 * quarter + 2)
    taps = np.sinc(places / 2) / 2 * np.kaiser(len(places), 0.1102 * (STOP_BAND_DB - 8.7))
    taps[1::2] = 0
    taps /= 2 * taps.sum()
    taps[2 * quarter + 1] = 0.5
    return np.asarray(taps)


class _Halving:
    """One half-band stage: a linear-phase filter and every second of its samples.

    All taps of even distance from the middle are zero, so that one phase of the samples is
    filtered and the other only halved.
    """

    def __init__(self, n_channels: int, pass_share: float) -> None:
        taps = half_band(pass_share).astype(np.float32)
        self.delay = len(taps) // 2  # in samples that come in
        self._sides = taps[: len(taps) // 2 : 2]  # the others mirror them
        self._rest: Single = np.empty((n_channels, 0), np.float32)

    def push(self, samples: Single) -> Single:
        """What ``(n_channels, n)`` more samples complete; only from fully supported ones."""
        joined = np.concatenate([self._rest, samples], axis=1)
        length = 2 * self.delay + 1
        n = max(0, (joined.shape[1] - length) // 2 + 1)
        out = np.empty((len(joined), n), np.float32)
        for start in range(0, n, CHUNK):
            stop = min(start + CHUNK, n)
            for row, result in zip(joined, out, strict=True):
                self._filter(row[2 * start : 2 * stop + length - 2], result[start:stop])
        self._rest = joined[:, 2 * n :]
        return out

    def _filter(self, samples: Single, out: Single) -> None:
        """Tap by tap, hence the same to the last bit wherever the samples are cut."""
        outer = np.ascontiguousarray(samples[::2])
        n, last = len(out), 2 * len(self._sides) - 1
        np.multiply(samples[self.delay :: 2][:n], np.float32(0.5), out=out)
        pair = np.empty_like(out)
        for i, tap in enumerate(self._sides):
            np.add(outer[i : i + n], outer[last - i : last - i + n], out=pair)
            np.multiply(pair, tap, out=pair)
            np.add(out, pair, out=out)


class Decimator:
    """Makes the copy of a record that is pushed block by block.

    The rate is halved as often as frequencies up to `wanted_to_hz` stay true, and once more
    whenever the copy would exceed `most_values`. The result does not depend on the blocks.
    """

    def __init__(
        self,
        n_channels: int,
        sample_rate_hz: float,
        wanted_to_hz: float,
        most_values: int = MOST_VALUES,
        channels: Sequence[int] | None = None,
    ) -> None:
        """Make one for blocks of `n_channels`, of which it keeps all or those named."""
        self._channels = tuple(range(n_channels) if channels is None else channels)
        self._picked = None if channels is None else list(channels)
        self._n_channels = len(self._channels)
        self._rate_hz = sample_rate_hz
        ratio = TRUE_SHARE * sample_rate_hz / 2 / wanted_to_hz
        halvings = max(0, math.floor(math.log2(ratio))) if ratio > 0 else 0
        to_hz = TRUE_SHARE * sample_rate_hz / 2 ** (halvings + 1)
        self._stages: list[_Halving] = []
        for stage in range(halvings):
            self._stages.append(_Halving(self._n_channels, to_hz / sample_rate_hz * 2**stage))
        self._offset: Array | None = None
        # untouched pages of it cost nothing
        columns = max(2 * CHUNK, most_values // max(self._n_channels, 1))
        self._held = np.empty((self._n_channels, columns), np.float32)
        self._n = 0

    def push(self, block: Array) -> None:
        """Take in samples of shape ``(n_channels, n)``, SI, any n."""
        if block.shape[1] == 0:
            return
        if self._picked is not None:
            block = block[self._picked]
        if self._offset is None:
            self._offset = block[:, 0].astype(float)
        for start in range(0, block.shape[1], CHUNK):
            part = block[:, start : start + CHUNK] - self._offset[:, None]
            samples = part.astype(np.float32)
            for stage in self._stages:
                samples = stage.push(samples)
            self._keep(samples)

    def _keep(self, samples: Single) -> None:
        """Append, after halving what is held where there is no room."""
        while self._n + samples.shape[1] > self._held.shape[1]:
            stage = _Halving(self._n_channels, TRUE_SHARE / 4)
            held, self._n = self._n, 0
            for start in range(0, held, CHUNK):
                self._append(stage.push(self._held[:, start : min(start + CHUNK, held)]))
            self._stages.append(stage)
            samples = stage.push(samples)
        self._append(samples)

    def _append(self, samples: Single) -> None:
        self._held[:, self._n : self._n + samples.shape[1]] = samples
        self._n += samples.shape[1]

    def finish(self) -> DecimatedRecord:
        """The copy; the accumulator is used up by it."""
        halvings = len(self._stages)
        delay = sum(stage.delay * 2**i for i, stage in enumerate(self._stages))
        rate_hz = self._rate_hz / 2**halvings
        offset = np.zeros(self._n_channels) if self._offset is None else self._offset
        return DecimatedRecord(
            rate_hz,
            delay / self._rate_hz,
            rate_hz / 2 if halvings == 0 else TRUE_SHARE * rate_hz / 2,
            offset,
            self._held[:, : self._n],
            self._channels,
        )
