"""One run after its one pass, and how its quantities are resampled."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from buffet.spectral.conditioned import (
    AVERAGES_PER_PROBE,
    ProbeResponse,
    has_probes,
    probe_response,
    without_probes,
)
from buffet.spectral.decimated import DecimatedRecord
from buffet.spectral.lines import Line, find_lines
from buffet.spectral.lobes import without_lines
from buffet.spectral.peaks import PeakFit
from buffet.spectral.reduction import ReducedSpectra
from buffet.spectral.segments import SegmentSpectra
from buffet.spectral.strouhal import LATERAL, VERTICAL
from buffet.spectral.tapers import TaperSpectra
from buffet.spectral.uncertainty import Resampling
from ingest import (
    PRESSURES,
    PROBE,
    Finding,
    FlowState,
    Model,
    Provenance,
    Quantity,
    RigResponse,
    Run,
)

Array = NDArray[np.float64]

# Why a run or a quantity has none of what was asked for.
NO_WIND = "there was no wind"
NO_COPY = "no copy of its samples was kept"
NO_MATRIX = "the cross-spectra of all channels were not kept"
NO_CHANGE = "no channel ever changed"
NEVER_CHANGED = "its channel never changed"

VERTICAL_FAMILY = "vertical"


@dataclass(frozen=True)
class NoiseFloor:
    """A wind-off run reduced by the rows of a wind-on run, with its own resampling."""

    run: str
    spectra: ReducedSpectra
    resampling: Resampling
    segments: SegmentSpectra | None = None  # behind `spectra`, channels in the wind-on run's order


@dataclass(frozen=True)
class RunAnalysis:
    """One run after its one pass."""

    run: Run
    model: Model | None
    flow: FlowState | None
    sample_rate_hz: float
    segment_s: float
    n_segments: int
    degrees_of_freedom: float
    spectra: SegmentSpectra
    signal: ReducedSpectra
    noise: tuple[NoiseFloor, ...]
    resamplings: Mapping[str, Resampling]  # by family of quantities
    findings: tuple[Finding, ...]
    provenance: Provenance
    rig: RigResponse
    as_read: RunAnalysis | None = None  # with the tunnel's part, where `signal` is without it
    copy: DecimatedRecord | None = None  # of all channels over time, where it was asked for
    tapers: TaperSpectra | None = None  # of long stretches, where they were asked for
    with_lines: RunAnalysis | None = None  # where `signal` is without its lines

    def resampling(self, quantity: int) -> Resampling:
        """Of one of `signal.quantities`."""
        return self.resamplings[family(self.signal.quantities[quantity])]

    @property
    def vertical(self) -> Resampling:
        """Of the components that move the car up and down."""
        return self.resamplings[VERTICAL_FAMILY]

    def samples(
        self, functional: Callable[[ReducedSpectra], Array], resampling: Resampling
    ) -> Array:
        """Bootstrap samples of a functional with the wind-off noise taken out.

        `functional` takes reduced spectra to ``(n_groups, ...)``; the result has shape
        ``(1 + n_resamples, ...)`` with the measured value in row 0. Negative values stay.
        """
        read, noise = resampling.means(functional(self.signal)), self.noise_samples(functional)
        return read if noise is None else read - noise

    def noise_samples(self, functional: Callable[[ReducedSpectra], Array]) -> Array | None:
        """What is taken out there: the mean of the wind-off runs; None where there is none."""
        parts = [floor.resampling.means(functional(floor.spectra)) for floor in self.noise]
        return np.asarray(np.mean(parts, axis=0)) if parts else None

    def quantity_samples(self, functional: Callable[[ReducedSpectra], Array]) -> Array:
        """The same of a functional to ``(n_groups, n_quantities, ...)``, family by family."""
        parts: dict[str, list[int]] = {}
        for index, quantity in enumerate(self.signal.quantities):
            parts.setdefault(family(quantity), []).append(index)
        result: Array | None = None
        for name, members in parts.items():
            part = self.samples(partial(_members, functional, members), self.resamplings[name])
            if result is None:
                shape = (len(part), len(self.signal.quantities), *part.shape[2:])
                result = np.empty(shape)
            result[:, members] = part
        return np.empty((1, 0)) if result is None else result

    @cached_property
    def _constant(self) -> set[str | None]:
        """Channels that never changed."""
        return {finding.channel for finding in self.findings if finding.code == "constant"}

    @cached_property
    def dead(self) -> tuple[bool, ...]:
        """Of each quantity, whether it rests on a channel that never changed."""
        dead = [channel.rests_on(self._constant) for channel in self.run.channels]
        return tuple(
            any(w and gone for w, gone in zip(q.fluctuation_row, dead, strict=True))
            for q in self.signal.quantities
        )

    @cached_property
    def calibration_uncertainty(self) -> tuple[float | None, ...]:
        """Standard uncertainty that the calibration leaves in each quantity, in its own unit.

        Channels are taken as independent; None where one of them states none.
        """
        stated = [channel.standard_uncertainty for channel in self.run.channels]
        return tuple(_combined(quantity.row, stated) for quantity in self.signal.quantities)

    def fluctuation(self, measures: str) -> int | None:
        """Position of the first quantity that measures this and is not dead, or None."""
        return self._first(lambda quantity: quantity.measures == measures)

    def pressure(self, name: str) -> int | None:
        """Position of the pressure of this name where it is not dead, or None."""
        return self._first(lambda one: one.measures == "pressure" and one.name == name)

    def _first(self, wanted: Callable[[Quantity], bool]) -> int | None:
        told = zip(self.signal.quantities, self.dead, strict=True)
        return next((i for i, (one, dead) in enumerate(told) if not dead and wanted(one)), None)

    @cached_property
    def zero_variance(self) -> Array:
        """Variance that the wind-off zeros leave in every mean, ``(n_quantities,)``.

        Two zeros are taken as averaged, which the middle of the run makes of them.
        """
        n = len(self.noise)
        parts = [floor.spectra.mean_variance for floor in self.noise]
        return np.asarray(np.sum(parts, axis=0) / n**2) if n else np.zeros(len(self.dead))

    @cached_property
    def total_samples(self) -> Array:
        """Bootstrap samples of every quantity's variance, ``(1 + n_resamples, n_quantities)``."""
        return self.quantity_samples(ReducedSpectra.group_totals)

    @cached_property
    def probes(self) -> tuple[int, ...]:
        """Channels that measure the oncoming flow and are alive."""
        named = enumerate(self.run.channels)
        return tuple(i for i, c in named if c.measures == PROBE and c.name not in self._constant)

    @property
    def no_probe_why(self) -> str | None:
        """Why the tunnel's part of this run is not known; None where it is."""
        if self.run.kind == "wind-off":
            return NO_WIND
        if not any(channel.measures == PROBE for channel in self.run.channels):
            return "there is no reference probe"
        if not self.probes:
            return "the reference probe never changed"
        if self.spectra.effective_segments <= AVERAGES_PER_PROBE * len(self.probes):
            return "the record is too short to tell what follows the reference probe"
        return None

    @cached_property
    def follows(self) -> ProbeResponse | None:
        """How the quantities as read follow the reference probes; None where that is not known."""
        if self.as_read is not None:
            return self.as_read.follows
        if self.with_lines is not None:
            return self.with_lines.follows
        if self.no_probe_why is not None:
            return None
        return probe_response(self.spectra, self.signal, self.probes)

    @cached_property
    def without_tunnel(self) -> RunAnalysis | None:
        """The run without what follows its reference probes; None where that is not known."""
        if self.as_read is not None or self.follows is None:
            return self if self.as_read is not None else None
        if self.with_lines is not None:  # cross-spectra with the probes still hold the lines
            rest = self.with_lines.without_tunnel
            return None if rest is None else rest.without_lines
        follows = self.follows
        signal = without_probes(self.spectra, self.signal, follows, follows.unbiased)
        # The probes' noise passes through the response as well: n_y - H n_x.
        noise = tuple(
            replace(floor, spectra=without_probes(floor.segments, floor.spectra, follows, 1.0))
            if floor.segments is not None and has_probes(floor.segments, self.probes)
            else floor
            for floor in self.noise
        )
        return replace(self, signal=signal, noise=noise, as_read=self)

    @cached_property
    def fits(self) -> dict[int, PeakFit]:
        """Peak fits by quantity, found once (`run_spectra`) however often the run is rated."""
        return {}

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """Pure lines in any of the channels; none where no tapers were kept."""
        return () if self.tapers is None else find_lines(self.tapers, self.line_bands_hz)

    @property
    def line_bands_hz(self) -> Array:
        """Up to where lines are looked for in each channel; 0 in one that never changed."""
        return np.array(
            [
                0.0 if channel.rests_on(self._constant) else self.rig.usable_to_hz(channel)
                for channel in self.run.channels
            ]
        )

    @cached_property
    def without_lines(self) -> RunAnalysis:
        """The run with its lines' lobes as the bins beside them let expect.

        In its wind-off runs as well, whose mains would else be taken out once more.
        """
        if self.with_lines is not None or not self.lines:
            return self
        at_hz = np.array([line.frequency_hz.value for line in self.lines])
        return replace(
            self,
            signal=without_lines(self.signal, at_hz),
            noise=tuple(
                replace(floor, spectra=without_lines(floor.spectra, at_hz)) for floor in self.noise
            ),
            as_read=None if self.as_read is None else self.as_read.without_lines,
            with_lines=self,
        )

    @property
    def noise_psd(self) -> Array | None:
        """Wind-off PSD on the bins of `signal`, or None where there is no wind-off run."""
        if not self.noise:
            return None
        target = self.signal.frequency_hz
        parts = [
            [np.interp(target, floor.spectra.frequency_hz, row) for row in floor.spectra.psd]
            for floor in self.noise
        ]
        return np.asarray(np.mean(parts, axis=0))


def _combined(row: Array, stated: Sequence[float | None]) -> float | None:
    parts = [(w, u) for w, u in zip(row.tolist(), stated, strict=True) if w]
    known = [w * u for w, u in parts if u is not None]
    return math.hypot(*known) if parts and len(known) == len(parts) else None


def family(quantity: Quantity) -> str:
    """Quantities of one family are resampled together, with a block length of their own."""
    for name, words in ((VERTICAL_FAMILY, VERTICAL), ("lateral", LATERAL), ("taps", PRESSURES)):
        if quantity.measures in words:
            return name
    return quantity.name


def _members(
    functional: Callable[[ReducedSpectra], Array], members: list[int], spectra: ReducedSpectra
) -> Array:
    return functional(spectra)[:, members]
