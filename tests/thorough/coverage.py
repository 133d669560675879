"""How often 95 % intervals cover the known truth of simulated campaigns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.interval import Interval
from buffet.pairs import Estimate, Pair, Spreads
from buffet.run_analysis import RunAnalysis
from buffet.spectral.peaks import Peak, find_peaks
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra
from buffet.spectral.uncertainty import half_value, log_estimate, pooled
from tests.thorough.onset_coverage import OnsetScene
from tests.thorough.parallel import in_pieces
from tests.thorough.records import KINDS, MEAN, Kind, Resonance
from tests.thorough.simulated import WORD, CampaignKind, campaigns

Array = NDArray[np.float64]

BAND_HZ = (10.0, 30.0)
AT_ONCE = 50  # campaigns made together
Entry = tuple[str, Interval | None, float, bool]  # name, interval, truth, enough record behind it


@dataclass
class Coverage:
    """Counts of one kind and quantity."""

    covered: int = 0
    below: int = 0  # the interval lies below the truth
    total: int = 0
    missing: int = 0  # no estimate, such as a peak not found
    values: list[float] = field(default_factory=list)  # less the truth
    unreliable: int = 0  # marked as resting on too little record, counted apart
    unreliable_covered: int = 0  # of those that have an interval

    def count(self, interval: Interval | None, truth: float, reliable: bool = True) -> None:
        """Take in one record."""
        if interval is None:
            self.missing += reliable
            self.unreliable += not reliable
            return
        low = -np.inf if interval.low is None else interval.low
        high = np.inf if interval.high is None else interval.high
        covers = low <= truth <= high
        if not reliable:
            self.unreliable += 1
            self.unreliable_covered += covers
            return
        self.total += 1
        self.covered += covers
        self.below += high < truth
        self.values.append(interval.value - truth)

    def add(self, other: Coverage) -> None:
        """Take in another's counts."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    @property
    def percent(self) -> float:
        """Share of intervals that hold the truth."""
        return 100 * self.covered / self.total if self.total else float("nan")


Counts = dict[str, Coverage]

# Every record's mean of 3 is removed before anything else.
COVERED_KINDS = tuple(
    treated
    for kind in KINDS
    for treated in (
        CampaignKind(kind.name, kind),
        CampaignKind(f"{kind.name}, noise removed", kind, noise=0.5),
        CampaignKind(f"{kind.name}, 3 repeats", kind, repeats=3, scatter=0.02),
    )
)


def print_coverage(n_campaigns: int) -> None:
    """Simulate every kind and print its figures."""
    for kind, pieces in in_pieces(coverage, COVERED_KINDS, n_campaigns):
        print(table(kind, merged(pieces)), flush=True)


def merged(pieces: Sequence[Counts]) -> Counts:
    """Counts of all pieces together."""
    together: Counts = {}
    for counts in pieces:
        for name, one in counts.items():
            together.setdefault(name, Coverage()).add(one)
    return together


def coverage(kind: CampaignKind, n_campaigns: int, seed: int = 60) -> Counts:
    """Coverage of every quantity over pairs of configurations of one kind."""
    rng = np.random.default_rng(seed)
    scene = OnsetScene.of(kind.record)
    counts: Counts = {}
    for start in range(0, n_campaigns, AT_ONCE):
        for analysis in campaigns(kind, min(AT_ONCE, n_campaigns - start), rng):
            for name, interval, truth, reliable in _entries(kind, analysis, scene):
                counts.setdefault(name, Coverage()).count(interval, truth, reliable)
    return counts


def _entries(kind: CampaignKind, analysis: CampaignAnalysis, scene: OnsetScene) -> Iterator[Entry]:
    """Every interval of a campaign with its truth: those of configuration a, and of the pair."""
    runs = analysis.of("a")
    pair = Pair(analysis, "b", "a", Spreads.of(analysis, (WORD,)))
    enough = pair.reliable(WORD)
    rms, ratio = pair.log_rms("a", WORD), pair.log_ratio(WORD)
    mean, difference = pair.mean("a", WORD), pair.difference(WORD)
    yield "RMS (log)", _interval(rms), log(kind.record.variance) / 2, enough
    yield "RMS ratio (log)", _interval(ratio), 0.0, enough
    yield "mean", _interval(mean), MEAN, True
    yield "difference of means", _interval(difference), 0.0, True
    yield "onset speed", *scene.onset(analysis, "a")
    if kind.repeats == 1:  # what is not pooled over runs does not hold their scatter
        yield "band RMS (log)", *_band_rms(runs[0], kind.record), enough
    yield from _peak_entries(kind.record.resonances, runs)


def _interval(estimate: Estimate | None) -> Interval | None:
    return None if estimate is None else estimate.interval()


def _band_rms(run: RunAnalysis, record: Kind) -> tuple[Interval, float]:
    samples = run.samples(_band_sums, run.vertical)[:, 0]
    interval = half_value(log_estimate(samples, run.vertical.blocks)).interval()
    assert interval.low is not None
    low, value, high = np.log([interval.low, interval.value, interval.high or np.inf])
    return Interval(float(value), float(low), float(high)), log(_band_truth(record, run.signal)) / 2


def _in_band(signal: ReducedSpectra) -> NDArray[np.bool_]:
    return (signal.frequency_hz >= BAND_HZ[0]) & (signal.frequency_hz <= BAND_HZ[1])


def _band_sums(signal: ReducedSpectra) -> Array:
    inside = signal.group_psd[:, :, _in_band(signal)]
    return np.asarray(inside.sum(axis=2) * signal.frequency_step_hz)


def _band_truth(record: Kind, signal: ReducedSpectra) -> float:
    """Integral over the bins' whole widths."""
    bins = signal.frequency_hz[_in_band(signal)]
    half = signal.frequency_step_hz / 2
    grid = np.linspace(bins[0] - half, bins[-1] + half, 20_001)
    return float(np.trapezoid(record.spectrum(grid), grid))


def _peak_entries(resonances: Sequence[Resonance], runs: Sequence[RunAnalysis]) -> Iterator[Entry]:
    """Frequency, which is St but for U and L, over all runs; bandwidth and energy of one run."""
    if not resonances:
        return
    found = [_found(run.signal) for run in runs]
    for resonance in resonances:
        near = [_nearest(peaks, resonance) for peaks in found]
        seen = [peak.frequency_hz for peak in near if peak is not None]
        strouhal = (seen[0] if len(runs) == 1 else pooled(seen)) if seen else None
        yield "peak frequency", strouhal, resonance.natural_hz, True
        if (first := near[0]) is not None and len(runs) == 1:
            yield "peak bandwidth", first.bandwidth_hz, resonance.bandwidth_hz, True
            yield "peak RMS", first.rms, sqrt(resonance.variance), True


def _found(signal: ReducedSpectra) -> tuple[Peak, ...]:
    bins = slice(FIRST_BIN, -1)  # Nyquist's own holds half a density
    return find_peaks(signal.frequency_hz[bins], signal.psd[0, bins], signal.effective_segments)


def _nearest(found: Sequence[Peak], resonance: Resonance) -> Peak | None:
    """The strongest peak within two bandwidths."""
    reach = 2 * resonance.bandwidth_hz
    near = [p for p in found if abs(p.frequency_hz.value - resonance.natural_hz) < reach]
    return max(near, key=lambda peak: peak.rms.value, default=None)


def table(kind: CampaignKind, counts: Counts) -> str:
    """Figures of one kind as text."""
    return "\n".join(_line(kind.name, name, c) for name, c in counts.items())


def _line(kind: str, name: str, counts: Coverage) -> str:
    above = counts.total - counts.covered - counts.below
    bias = float(np.mean(counts.values)) if counts.values else float("nan")
    text = (
        f"{kind:32} {name:20} {counts.percent:5.1f} % of {counts.total}, {counts.below} below, "
        f"{above} above the truth, bias {bias:+.4f}"
    )
    if counts.unreliable:
        text += f"; {counts.unreliable} marked unreliable"
    if counts.unreliable_covered:
        text += f", of which {counts.unreliable_covered} hold it"
    return text + (f"; {counts.missing} missing" if counts.missing else "")
