"""Whether a record is long enough, and steady, for what is said of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buffet.length.needed import Needed, for_blocks, for_mean, for_normal
from buffet.parts import Absent, PartSettings
from buffet.run_analysis import NO_CHANGE, NO_WIND, RunAnalysis
from buffet.run_spectra import NO_RMS, QuantityResult, RunResult
from buffet.spectral.uncertainty import MOST_FREEDOM, half_width
from buffet.stationarity import tells_trends
from ingest import Quantity

WIDE = "its interval reaches down to zero"
ZEROS = "the wind-off zeros alone leave more: record them for longer"
# Codes of findings on a record's channels, and what drifts there.
DRIFTS = {"mean-drifts": "mean", "variance-drifts": "variance"}


@dataclass(frozen=True)
class QuantityLength:
    """One quantity: what its fluctuation makes of the record's length."""

    quantity: Quantity
    time_scale_s: float  # integral time scale T_I
    independent: float  # samples that the record is worth, T / (2 T_I)
    is_slow: bool  # the segments' means tell of something slower than a segment
    rms: Needed | None  # relative
    rms_why: str | None
    mean: Needed | None  # in shares of the RMS: a mean near zero has no percent
    mean_why: str | None
    drifts: tuple[str, ...]  # of "mean" and "variance"


@dataclass(frozen=True)
class Length:
    """One run."""

    record_s: float
    within: float
    quantities: tuple[QuantityLength, ...]
    strouhal: Needed | None  # relative, of the frequency
    strouhal_why: str | None
    trends_told: bool  # the record is long enough to look for trends

    @property
    def is_steady(self) -> bool:
        """Whether nothing drifts or moves slowly, as far as the record tells."""
        return not any(one.drifts or one.is_slow for one in self.quantities)


def of_run(result: RunResult, settings: PartSettings) -> Length | Absent:
    """Time scales, widths reached and lengths needed of every quantity that lives."""
    analysis = result.analysis
    if analysis.run.kind != "wind-on":
        return Absent(NO_WIND)
    living = [i for i, dead in enumerate(analysis.dead) if not dead]
    if not living:
        return Absent(NO_CHANGE)
    shed = result.fundamental.frequency_hz if result.fundamental else None
    strouhal, why = None, result.strouhal_why
    if shed is not None:
        strouhal, why = None, "its interval has no end"
        if shed.low is not None and shed.high is not None:
            half = (shed.high - shed.low) / 2 / shed.value
            strouhal = for_normal(half, settings.within, analysis.spectra.duration_s)
    return Length(
        analysis.spectra.duration_s,
        settings.within,
        tuple(_quantity(analysis, i, result.quantities[i], settings.within) for i in living),
        strouhal,
        None if strouhal else why,
        tells_trends(len(analysis.signal.group_segments)),
    )


def _quantity(
    analysis: RunAnalysis, index: int, one: QuantityResult, within: float
) -> QuantityLength:
    signal, record_s = analysis.signal, analysis.spectra.duration_s
    variance = float(np.average(signal.group_totals()[:, index], weights=signal.group_segments))
    of_mean = float(signal.mean_variance[index])
    independent = variance / of_mean if of_mean > 0 else np.inf
    rms, rms_why = _rms(analysis, index, one, within)
    mean, mean_why = _mean(analysis, index, float(np.sqrt(max(variance, 0.0))), within)
    # 2 σ² T_I / T = S(0) / (2 T) is the variance of the mean.
    return QuantityLength(
        one.quantity,
        record_s / (2 * independent),
        independent,
        bool(signal.slow_means[index]),
        rms,
        rms_why,
        mean,
        mean_why,
        _drifts(analysis, one.quantity),
    )


def _rms(
    analysis: RunAnalysis, index: int, one: QuantityResult, within: float
) -> tuple[Needed | None, str | None]:
    if one.rms is None:
        return None, NO_RMS
    if not one.rms.low or one.rms.high is None:
        return None, WIDE
    half = float(np.log(one.rms.high / one.rms.low)) / 2
    blocks = analysis.resampling(index).blocks
    found = for_blocks(half, blocks, within, analysis.spectra.duration_s)
    return found, None if found else WIDE


def _mean(
    analysis: RunAnalysis, index: int, rms: float, within: float
) -> tuple[Needed | None, str | None]:
    """Of the scatter as read: noise moves a mean as well."""
    signal = analysis.signal
    if rms <= 0:
        return None, NO_RMS
    freedom = float(signal.mean_freedom[index])
    record = float(half_width(signal.mean_variance[index], freedom)) / rms
    zeros = float(half_width(analysis.zero_variance[index], MOST_FREEDOM)) / rms
    grows = not signal.slow_means[index]
    found = for_mean(record, zeros, freedom, grows, within, analysis.spectra.duration_s)
    return found, None if found else ZEROS


def _drifts(analysis: RunAnalysis, quantity: Quantity) -> tuple[str, ...]:
    """What the findings say of the channels that the quantity rests on."""
    channels = analysis.run.channels
    used = {channels[i].name for i in np.flatnonzero(quantity.fluctuation_row)}
    codes = {finding.code for finding in analysis.findings if finding.channel in used}
    return tuple(what for code, what in DRIFTS.items() if code in codes)
