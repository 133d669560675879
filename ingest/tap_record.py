"""A record whose tubed channels hold the pressure at the tap instead of that at the sensor."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.provenance import Step, step
from ingest.record import Record, Run
from ingest.rig import rig_response
from ingest.tube_filter import TubeFilter, inverse_kernel
from ingest.zeros import ZeroReading


def open_at_taps(
    run: Run,
    zeros: Mapping[str, ZeroReading] | None = None,
    channel_means: Mapping[str, float] | None = None,
) -> Record:
    """Open a run's recording with the response of stated tubing taken out of its samples.

    Each tubed channel is filtered by the inverse of its tubing up to where the bound on
    amplification and the sample rate allow, and holds nothing beyond. All samples of a block belong
    to the same moments. The gas
    is the air that the run sheet states, or of `channel_means` (by name, SI) where these are known
    from an earlier reading; standard air elsewhere. In another fluid nothing is filtered.

    Raises RecordingError as `Run.open` does.
    """
    return _TapRecord(run, zeros or {}, channel_means or {})


class _TapRecord(Record):
    def __init__(
        self, run: Run, zeros: Mapping[str, ZeroReading], channel_means: Mapping[str, float]
    ) -> None:
        super().__init__(run, zeros)
        self._rig = rig = rig_response(run, self.sample_rate_hz, channel_means, self.reach_hz)
        tubed = [i for i, c in enumerate(self.channels) if rig.tubing_correction(c) is not None]
        found = {i: inverse_kernel(rig, self.channels[i]) for i in tubed}
        self._to_hz = {i: to_hz for i, (_, to_hz) in found.items()}
        kernels = {i: kernel for i, (kernel, _) in found.items()}
        self._filter = TubeFilter(len(self.channels), kernels)

    def _stream(self) -> Generator[NDArray[np.float64]]:
        for block in super()._stream():
            yield from self._filter.push(block)
        yield from self._filter.finish()

    def _steps(self) -> tuple[Step, ...]:
        if not self._to_hz:
            return super()._steps()
        settings: dict[str, Any] = {
            "method": "inverse filter, lag taken out, nothing beyond corrected_to_hz",
            "gas": None if self._rig.gas is None else asdict(self._rig.gas),
            "bounds": asdict(self._rig.bounds),
            "channels": {self.channels[i].name: self._channel(i) for i in self._to_hz},
            "ends": "first and last value held",
            "ends_reach_s": self._filter.half / self.sample_rate_hz,
        }
        return (*super()._steps(), step("correct tubing", **settings))

    def _channel(self, index: int) -> dict[str, Any]:
        done = self._rig.tubing_correction(self.channels[index])
        assert done is not None
        return {
            "model": done.model,
            "corrected_to_hz": self._to_hz[index],
            "largest_amplification": done.largest_amplification,
            "lag_s": done.lag_s,
        }
