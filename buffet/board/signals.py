"""A run's signals as envelopes: the least and the largest sample of each stretch of time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from buffet.json_values import Document, number
from ingest import Campaign, Run, ZeroReading

Array = NDArray[np.float64]

POINTS = 1000  # stretches of an envelope: about the pixels of a page


def signal_envelopes(
    campaign: Campaign, run: Run, zeros: Mapping[str, ZeroReading], points: int = POINTS
) -> Document:
    """Envelopes of every channel over time, from one pass over the calibrated record.

    Memory stays bounded by `points` and a block, whatever the record's length: a stretch holds one
    sample at first, and neighbours are merged in pairs whenever there are too many.

    Parameters
    ----------
    zeros : wind-off readings by run number (`ingest.zeros_of`)
    points : stretches of time at most; at least half as many where the record has them

    Raises
    ------
    RecordingError
        No reader takes the file, or it is damaged.
    """
    record = run.open(zeros)
    folded = _Folded(len(record.channels), points)
    for block in record.blocks():
        folded.push(block)
    folded.finish()
    step_s = folded.width / record.sample_rate_hz
    starts = np.arange(folded.low.shape[1]) * step_s + (run.clock.from_s or 0.0)
    return {
        "format": "buffet/signals",
        "version": 1,
        "campaign": campaign.title,
        "run": run.number,
        "kind": run.kind,
        "configuration": run.configuration,
        "sample_rate_hz": record.sample_rate_hz,
        "n_samples": record.n_samples,
        "stretch_s": step_s,
        "time_s": starts.tolist(),
        "channels": [
            {
                "name": channel.name,
                "measures": channel.measures,
                "unit": channel.unit,
                "low": [number(value) for value in low.tolist()],
                "high": [number(value) for value in high.tolist()],
            }
            for channel, low, high in zip(record.channels, folded.low, folded.high, strict=True)
        ],
    }


class _Folded:
    """Least and largest values of stretches of equal width, but for the last."""

    def __init__(self, n_channels: int, points: int) -> None:
        self._most = 2 * max(points // 2, 1)  # even, so that stretches pair up
        self.width = 1  # samples of a stretch
        self.low = np.empty((n_channels, 0))
        self.high = np.empty((n_channels, 0))
        self._rest = np.empty((n_channels, 0))  # samples that do not fill a stretch yet

    def push(self, block: Array) -> None:
        """Take the next samples, ``(n_channels, n)``."""
        start = 0
        while start < block.shape[1]:
            if self.low.shape[1] == self._most:
                self._merge()
            room = (self._most - self.low.shape[1]) * self.width - self._rest.shape[1]
            self._take(np.concatenate([self._rest, block[:, start : start + room]], axis=1))
            start += room

    def finish(self) -> None:
        """What fills no stretch is the last one."""
        if self._rest.shape[1]:
            if self.low.shape[1] == self._most:
                self._merge()
            self._append(self._rest[:, None, :])

    def _take(self, samples: Array) -> None:
        whole = samples.shape[1] // self.width * self.width
        self._rest = samples[:, whole:]
        self._append(samples[:, :whole].reshape(len(samples), -1, self.width))

    def _append(self, stretches: Array) -> None:
        self.low = np.concatenate([self.low, stretches.min(axis=2)], axis=1)
        self.high = np.concatenate([self.high, stretches.max(axis=2)], axis=1)

    def _merge(self) -> None:
        """Neighbours in pairs."""
        self.low = self.low.reshape(len(self.low), -1, 2).min(axis=2)
        self.high = self.high.reshape(len(self.high), -1, 2).max(axis=2)
        self.width *= 2
