"""How often 95 % intervals cover the known truth of simulated records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.spectral.peaks import Peak, find_peaks
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra, reduce
from buffet.spectral.segments import SegmentEngine, SegmentSettings
from buffet.spectral.uncertainty import (
    LogEstimate,
    Resampling,
    half_value,
    log_estimate,
    resample,
)
from ingest import Channel, Quantity
from tests.thorough.records import MEAN, RATE_HZ, Kind, Resonance

Array = NDArray[np.float64]

DURATION_S = 60.0
SEGMENT_SAMPLES = 500  # 2.5 s, 47 segments
BAND_HZ = (10.0, 30.0)
AT_ONCE = 100  # records transformed together


@dataclass
class Coverage:
    """Counts of one kind and quantity."""

    covered: int = 0
    below: int = 0  # the interval lies below the truth
    total: int = 0
    missing: int = 0  # no estimate, such as a peak not found
    values: list[float] = field(default_factory=list)  # over the truth

    def count(self, interval: Interval | None, truth: float) -> None:
        """Take in one record."""
        if interval is None:
            self.missing += 1
            return
        low = -np.inf if interval.low is None else interval.low
        high = np.inf if interval.high is None else interval.high
        self.total += 1
        self.covered += low <= truth <= high
        self.below += high < truth
        self.values.append(interval.value / truth)

    @property
    def percent(self) -> float:
        """Share of intervals that hold the truth."""
        return 100 * self.covered / self.total if self.total else float("nan")


def coverage(kind: Kind, n_records: int, seed: int = 60) -> dict[str, Coverage]:
    """Coverage of every quantity over `n_records` records of one kind."""
    rng = np.random.default_rng(seed)
    counts: dict[str, Coverage] = {}
    for start in range(0, n_records, AT_ONCE):
        samples = kind.records(min(AT_ONCE, n_records - start), DURATION_S, rng)
        _count(kind, reduced(samples), rng, counts)
    return counts


def reduced(samples: Array, length: int = SEGMENT_SAMPLES) -> ReducedSpectra:
    """Each record as a quantity of its own, as a run's channels are."""
    n = len(samples)
    channels = [Channel(f"record {i}", i, "other", "V", 1.0) for i in range(n)]
    rows = np.eye(n)
    quantities = [Quantity(c.name, c.measures, c.unit, rows[i]) for i, c in enumerate(channels)]
    engine = SegmentEngine(n, SegmentSettings(RATE_HZ, length))
    engine.push(samples)
    return reduce(engine.finish(), channels, quantities, lambda channel: RATE_HZ / 2)


def _count(
    kind: Kind, signal: ReducedSpectra, rng: np.random.Generator, counts: dict[str, Coverage]
) -> None:
    totals = signal.group_totals()
    bands = _band_sums(signal)
    rms, band_rms = sqrt(kind.variance), sqrt(_band_truth(kind, signal))
    previous: LogEstimate | None = None
    for i in range(totals.shape[1]):
        resampling = resample(signal.group_segments, totals[:, i : i + 1], rng)
        estimate = _rms(resampling, totals[:, i])
        entries: list[tuple[str, Interval | None, float]] = [
            ("total RMS", estimate.interval(), rms),
            ("mean", _mean(signal, i), MEAN),
        ]
        if not kind.dwell_s and not kind.quiet_s:
            entries.append(("band RMS", _rms(resampling, bands[:, i]).interval(), band_rms))
        if previous is not None:
            entries.append(("ratio of two RMS", _ratio(estimate, previous), 1.0))
        entries += _peak_entries(kind.resonances, signal, i)
        previous = None if previous is not None else estimate
        for name, interval, truth in entries:
            counts.setdefault(name, Coverage()).count(interval, truth)


def _rms(resampling: Resampling, values: Array) -> LogEstimate:
    return half_value(log_estimate(resampling.means(values), resampling.blocks))


def _ratio(one: LogEstimate, other: LogEstimate) -> Interval:
    """Of independent estimates; freedoms after Satterthwaite 1946."""
    from scipy.special import stdtrit

    first, second = float(one.spread**2), float(other.spread**2)
    freedom = (first + second) ** 2 / (
        first**2 / max(one.blocks - 1, 1) + second**2 / max(other.blocks - 1, 1)
    )
    half = float(stdtrit(freedom, 0.975)) * np.sqrt(first + second)
    value = float(one.value / other.value)
    return Interval(value, value * float(np.exp(-half)), value * float(np.exp(half)))


def _mean(signal: ReducedSpectra, index: int) -> Interval:
    from scipy.special import stdtrit

    factor = float(stdtrit(signal.mean_freedom[index], 0.975))
    half = factor * float(np.sqrt(signal.mean_variance[index]))
    value = float(signal.mean[index])
    return Interval(value, value - half, value + half)


def _in_band(signal: ReducedSpectra) -> NDArray[np.bool_]:
    return (signal.frequency_hz >= BAND_HZ[0]) & (signal.frequency_hz <= BAND_HZ[1])


def _band_sums(signal: ReducedSpectra) -> Array:
    inside = signal.group_psd[:, :, _in_band(signal)]
    return np.asarray(inside.sum(axis=2) * signal.frequency_step_hz)


def _band_truth(kind: Kind, signal: ReducedSpectra) -> float:
    """Integral over the bins' whole widths."""
    bins = signal.frequency_hz[_in_band(signal)]
    half = signal.frequency_step_hz / 2
    grid = np.linspace(bins[0] - half, bins[-1] + half, 20_001)
    return float(np.trapezoid(kind.density(grid), grid))


def _peak_entries(
    resonances: Sequence[Resonance], signal: ReducedSpectra, index: int
) -> list[tuple[str, Interval | None, float]]:
    if not resonances:
        return []
    bins = slice(FIRST_BIN, -1)  # Nyquist's own holds half a density
    found = find_peaks(
        signal.frequency_hz[bins], signal.psd[index, bins], signal.effective_segments
    )
    entries: list[tuple[str, Interval | None, float]] = []
    for resonance in resonances:
        near = _nearest(found, resonance)
        for name, truth in (
            ("frequency_hz", resonance.natural_hz),
            ("bandwidth_hz", resonance.bandwidth_hz),
            ("rms", sqrt(resonance.variance)),
        ):
            interval = None if near is None else getattr(near, name)
            entries.append((f"peak {name}", interval, truth))
    return entries


def _nearest(found: Sequence[Peak], resonance: Resonance) -> Peak | None:
    """The strongest peak within two bandwidths."""
    reach = 2 * resonance.bandwidth_hz
    near = [p for p in found if abs(p.frequency_hz.value - resonance.natural_hz) < reach]
    return max(near, key=lambda peak: peak.rms.value, default=None)


def table(kind: Kind, counts: dict[str, Coverage]) -> str:
    """Figures of one kind as text."""
    lines = [
        f"{kind.name:18} {name:18} {c.percent:6.1f} % of {c.total:5}, "
        f"{c.below:4} below, {c.total - c.covered - c.below:4} above, "
        f"{c.missing:4} missing, mean {np.mean(c.values):.4f} of the truth"
        for name, c in counts.items()
    ]
    return "\n".join(lines)
