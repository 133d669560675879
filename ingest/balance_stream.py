"""A run's bridges to loads, block by block, and what that says of balance and record."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from ingest.balance import Array, Balance, NotSettledError
from ingest.balance_influence import interaction_finding
from ingest.errors import RecordingError
from ingest.findings import Finding, percent, three_digits
from ingest.provenance import Step, step

if TYPE_CHECKING:
    from ingest.record import Run

# A run without wind has no zero but its own: the mean over this much of its beginning.
OWN_ZERO_S = 1.0
# Samples beyond the calibrated range are carried on by a polynomial that nothing checked: rare
# peaks are little else than a wider error, a twentieth of a record is (engineering judgement).
OUTSIDE_ERROR = 0.05


class BalanceStream:
    """Takes blocks of a run's logged channels, gives blocks of its channels."""

    def __init__(self, run: Run, balance: Balance, sample_rate_hz: float) -> None:
        names = [channel.name for channel in run.logged]
        self._run, self._balance, self._rate_hz = run, balance, sample_rate_hz
        self._bridges = [names.index(bridge) for bridge in balance.bridges]
        self._kept = [i for i in range(len(names)) if i not in self._bridges]
        self._before = sum(i < min(self._bridges) for i in self._kept)
        self._held: list[Array] | None = [] if run.kind == "wind-off" else None
        self._zero = np.zeros((len(self._bridges), 1))
        self._n = self._most_iterations = 0
        self._outside = np.zeros(len(balance.loads), np.int64)
        self._excess = np.zeros(len(balance.loads))

    def push(self, block: Array) -> Iterator[Array]:
        """Take ``(n_logged, n)``, give what is complete, ``(n_channels, n)``.

        Raises RecordingError where the loads of a sample do not settle.
        """
        if self._held is None:
            yield self._loads(block)
            return
        self._held.append(block)
        if sum(held.shape[1] for held in self._held) >= self._own_zero_samples:
            yield from self.finish()

    @property
    def _own_zero_samples(self) -> int:
        return max(round(OWN_ZERO_S * self._rate_hz), 1)

    def finish(self) -> Iterator[Array]:
        """Give what is still held; raises RecordingError like `push`."""
        if self._held:
            block = np.concatenate(self._held, axis=1)
            beginning = block[self._bridges, : self._own_zero_samples]
            self._zero = beginning.mean(axis=1, keepdims=True)
            self._held = None
            yield self._loads(block)

    def _loads(self, block: Array) -> Array:
        readings = block[self._bridges] - self._zero
        try:
            loads, iterations = self._balance.solve(readings)
        except NotSettledError as error:
            raise self._not_settled(readings, error.sample) from error
        self._most_iterations = max(self._most_iterations, iterations)
        self._compare(loads)
        self._n += block.shape[1]
        kept, at = block[self._kept], self._before
        return np.concatenate([kept[:at], self._balance.transfer @ loads, kept[at:]])

    def _compare(self, loads: Array) -> None:
        """Count samples beyond the calibrated range, which is that of the reference point."""
        low, high = self._balance.envelope.T[:, :, None]
        excess = np.maximum(loads - high, low - loads)  # nan where nothing is stated
        self._outside += (excess > 0.0).sum(axis=1)
        self._excess = np.fmax(self._excess, excess.max(axis=1, initial=0.0))

    def _not_settled(self, readings: Array, sample: int) -> RecordingError:
        time_s = (self._n + sample) / self._rate_hz + (self._run.clock.from_s or 0.0)
        unit = "" if self._balance.bridge_unit == "1" else f" {self._balance.bridge_unit}"
        named = zip(self._balance.bridges, readings[:, sample], strict=True)
        read = ", ".join(f"{bridge} = {value:.5g}{unit}" for bridge, value in named)
        return RecordingError(
            self._run.recordings[0],
            f"{time_s:.6g} s",
            f"the loads of {self._balance.source} do not settle at {read}",
            "such readings may lie outside the calibrated range, hold a zero that was not "
            "removed, or the file's matrix is wrong",
        )

    def findings(self) -> Iterator[Finding]:
        """What lies outside the calibrated range, and how much the interactions matter."""
        for i in np.flatnonzero(self._outside):
            yield self._outside_finding(int(i))
        if self._run.kind == "wind-on":
            yield from interaction_finding(self._balance, self._run.number)

    def _outside_finding(self, index: int) -> Finding:
        balance, share = self._balance, float(self._outside[index] / self._n)
        load, unit = balance.loads[index], self._run.channels[self._before + index].unit
        low, high = balance.envelope[index]
        excess = float(self._excess[index])
        return Finding(
            "error" if share > OUTSIDE_ERROR else "warning",
            "load-envelope",
            self._run.number,
            load,
            f"{int(self._outside[index])} samples ({percent(share)}) lie outside the calibrated "
            f"{low:g} to {high:g} {unit}, by up to {three_digits(excess)} {unit} "
            f"({percent(excess / balance.full_scale[index])} of full scale)",
            f"{balance.source} says nothing of such loads: look at the bridges' columns, units and "
            "gains; if they are right, calibrate over the whole range, or lower the wind speed",
        )

    def step(self) -> Step:
        """What was done, for the provenance."""
        zero = f"mean of the first {OWN_ZERO_S:g} s" if self._run.kind == "wind-off" else None
        return step(
            "apply balance",
            file=self._balance.source,
            sha256=self._balance.sha256,
            form=self._balance.form,
            bridges=self._balance.bridges,
            loads=self._balance.loads,
            residual=self._balance.residual,
            most_iterations=self._most_iterations,
            own_zero=zero,
        )
