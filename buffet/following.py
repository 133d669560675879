"""Peaks followed over the wind speeds of a configuration: flow told from rig."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import degrees, log

import numpy as np

from buffet.peak_classes import PeakClass, peak_class
from buffet.rig_findings import rig_findings
from buffet.run_analysis import NO_WIND
from buffet.run_spectra import QuantityResult, RunResult, named
from buffet.spectral.peaks import Peak
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.tracks import UNDECIDED, Sighting, Spectrogram, Verdict, classify
from buffet.spectral.uncertainty import log_error

# Bins of half-power width up to which a peak counts as a line: a line among noise is often fitted
# so, while resolved peaks have four bins where the record allows.
NARROW_BINS = 2.0
NO_SPEED = "the wind speed is not known"


def follow(results: Sequence[RunResult]) -> tuple[RunResult, ...]:
    """The same results with every peak classed, and fundamentals named from what is not rig.

    Runs of one configuration and yaw are followed together; wind-off runs speak for all.
    """
    runs = [(one, one.analysis.run) for one in results]
    still = [one for one, run in runs if run.kind == "wind-off" and run.excitation is None]
    groups: dict[tuple[str | None, float], list[RunResult]] = {}
    for result in results:
        if result.analysis.run.kind == "wind-on" and result.analysis.flow is not None:
            groups.setdefault(_group(result), []).append(result)
    verdicts: dict[tuple[str, str], tuple[Verdict, ...]] = {}  # by run and quantity
    for group in groups.values():
        verdicts |= _verdicts(group, still)
    told = [_with_classes(result, verdicts) for result in results]
    return tuple(
        replace(one, rig=found) for one, found in zip(told, rig_findings(told), strict=True)
    )


def _verdicts(
    group: Sequence[RunResult], still: Sequence[RunResult]
) -> dict[tuple[str, str], tuple[Verdict, ...]]:
    """Of every quantity of the runs of a configuration, by run and quantity."""
    found = {}
    for name in dict.fromkeys(q.quantity.name for one in group for q in one.quantities):
        seen = [
            (one, q)
            for one in (*group, *still)
            for q in one.quantities
            if q.quantity.name == name and q.fit_deviance is not None
        ]
        classed = classify([_spectrogram(one, q) for one, q in seen])
        for (one, _), verdicts in zip(seen, classed, strict=True):
            if one.analysis.run.kind == "wind-on":
                found[one.analysis.run.number, name] = verdicts
    return found


def _with_classes(
    result: RunResult, verdicts: Mapping[tuple[str, str], tuple[Verdict, ...]]
) -> RunResult:
    """The result with classes, and named again."""
    number = result.analysis.run.number
    why = NO_WIND if result.analysis.run.kind == "wind-off" else NO_SPEED
    quantities = []
    for quantity in result.quantities:
        unknown = (Verdict(UNDECIDED, why),) * len(quantity.peaks)
        own = verdicts.get((number, quantity.quantity.name), unknown)
        quantities.append(replace(quantity, classes=_classes(result, quantity, own)))
    return named(result.analysis, quantities)


def _classes(
    result: RunResult, quantity: QuantityResult, verdicts: Sequence[Verdict]
) -> tuple[PeakClass, ...]:
    run, flow = result.analysis.run, result.analysis.flow
    wind_m_s = None if flow is None else flow.uncorrected_speed_m_s  # which a belt runs at
    return tuple(
        peak_class(
            verdict,
            peak.frequency_hz,
            _is_narrow(peak, result.analysis.segment_s),
            run.rotation,
            wind_m_s,
        )
        for peak, verdict in zip(quantity.peaks, verdicts, strict=True)
    )


def _group(result: RunResult) -> tuple[str | None, float]:
    """Configuration and yaw, to a tenth of a degree."""
    run = result.analysis.run
    return run.configuration, round(degrees(run.yaw_rad), 1)


def _spectrogram(result: RunResult, quantity: QuantityResult) -> Spectrogram:
    analysis = result.analysis
    return Spectrogram(
        analysis.flow.speed_m_s if analysis.flow and analysis.run.kind == "wind-on" else None,
        float(quantity.frequency_hz[FIRST_BIN]),
        float(quantity.frequency_hz[-1]),
        tuple(
            Sighting(
                log(peak.frequency_hz.value),
                log_error(peak.frequency_hz) ** 2,
                _is_narrow(peak, analysis.segment_s),
                either=_width_straddles(peak, analysis.segment_s),
            )
            for peak in quantity.peaks
        ),
    )


def _is_narrow(peak: Peak, segment_s: float) -> bool:
    return peak.bandwidth_hz.value * segment_s <= NARROW_BINS


def _width_straddles(peak: Peak, segment_s: float) -> bool:
    """Whether what is known of its width leaves open if it is narrow."""
    width, limit = peak.bandwidth_hz, NARROW_BINS / segment_s
    return (width.low or 0.0) < limit < (np.inf if width.high is None else width.high)
