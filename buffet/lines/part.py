"""The lines of one run: sources, RMS and share of every quantity's variance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.parts import Absent, PartSettings
from buffet.peak_classes import line_source
from buffet.rotation import LineSource
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult
from buffet.spectral.lines import Line
from buffet.spectral.lobes import line_variances, without_lines
from buffet.spectral.reduction import ReducedSpectra
from buffet.spectral.tapers import TaperSpectra
from buffet.tunnel_part import part_rms, part_share

Array = NDArray[np.float64]

NO_LINE_LEFT = "the wind-off run holds as much of it"
NOT_ABOVE = "nothing rises above the bins beside it"


@dataclass(frozen=True)
class LineInQuantity:
    """What of one quantity stands in a line, or in all of them."""

    quantity: str
    unit: str
    rms_as_logged: Interval | None  # None where nothing rises above the bins beside it
    rms: Interval | None  # wind-off noise taken out; None where nothing is left
    share: Interval | None  # of the variance in the usable band, wind-off noise taken out


@dataclass(frozen=True)
class RunLine:
    """One line of a run."""

    line: Line
    channels: tuple[str, ...]  # in which it is significant, the clearest first
    source: LineSource | None
    quantities: tuple[LineInQuantity, ...]  # in the run's order, dead ones left out


@dataclass(frozen=True)
class QuantityRest:
    """One quantity with all lines and without them, wind-off noise taken out."""

    all_lines: LineInQuantity
    rms_with: Interval | None
    rms_without: Interval | None


@dataclass(frozen=True)
class RunLines:
    """All lines of a run, by rising frequency."""

    lines: tuple[RunLine, ...]
    rest: tuple[QuantityRest, ...]  # empty where there are no lines
    taken_out: bool  # whether the run's results are without them
    tapers: TaperSpectra
    usable_hz: tuple[float, ...]  # of each channel; 0 for one that never changed
    n_places: int  # places looked at in all channels, for which the p-values allow


def of_run(result: RunResult, settings: PartSettings) -> RunLines | Absent:
    """Lines of a run as read, whether or not the results are without them."""
    run = result.analysis.with_lines or result.analysis
    if run.tapers is None:
        return Absent("long stretches were not transformed")
    at_hz = np.array([line.frequency_hz.value for line in run.lines])

    def in_lines(spectra: ReducedSpectra) -> Array:
        return line_variances(spectra, without_lines(spectra, at_hz), at_hz)

    lines: tuple[RunLine, ...] = ()
    rest: tuple[QuantityRest, ...] = ()
    if run.lines:
        samples = run.quantity_samples(in_lines)
        logged = _as_logged(run, in_lines(run.signal))
        alive = [i for i, dead in enumerate(run.dead) if not dead]
        lines = tuple(
            _line(run, line, [_of(run, i, logged[i][:, k], samples[:, i, k]) for i in alive])
            for k, line in enumerate(run.lines)
        )
        rest = tuple(
            _rest(run, i, _of(run, i, logged[i].sum(axis=1), samples[:, i].sum(axis=1)))
            for i in alive
        )
    usable = run.line_bands_hz
    return RunLines(
        lines,
        rest,
        result.analysis.with_lines is not None,
        run.tapers,
        tuple(usable.tolist()),
        int((run.tapers.scan_hz <= usable[:, None]).sum()),
    )


def _as_logged(run: RunAnalysis, groups: Array) -> list[Array]:
    """Bootstrap samples ``(1 + n_resamples, n_lines)`` a quantity, noise and all."""
    return [run.resampling(i).means(groups[:, i]) for i in range(groups.shape[1])]


def _of(run: RunAnalysis, index: int, logged: Array, samples: Array) -> LineInQuantity:
    quantity, blocks = run.signal.quantities[index], run.resampling(index).blocks
    return LineInQuantity(
        quantity.name,
        quantity.unit,
        part_rms(logged, blocks),
        part_rms(samples, blocks),
        part_share(samples, run.total_samples[:, index], blocks),
    )


def _rest(run: RunAnalysis, index: int, every: LineInQuantity) -> QuantityRest:
    blocks = run.resampling(index).blocks
    with_them, without = (
        part_rms(one.total_samples[:, index], blocks) for one in (run, run.without_lines)
    )
    return QuantityRest(every, with_them, without)


def _line(run: RunAnalysis, line: Line, quantities: list[LineInQuantity]) -> RunLine:
    wind_m_s = None if run.flow is None else run.flow.uncorrected_speed_m_s
    return RunLine(
        line,
        tuple(run.run.channels[i].name for i in line.channels),
        line_source(line.frequency_hz, run.run.rotation, wind_m_s),
        tuple(quantities),
    )
