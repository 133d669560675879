"""What a record's spectra and segments say against trusting it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import FIRST_BIN
from buffet.spectral.resolution import MARKED_SEGMENTS
from buffet.spectral.segments import SegmentSpectra
from buffet.stationarity import Trend, trends
from ingest import FORCES, MOMENTS, PRESSURES, Channel, Finding, Run

# Of a run's channels, means and variances together: how often a sound run may be called drifting.
FALSE_ALARMS = 0.01
# A drift of the mean by this share of the RMS holds 0.7 % of the variance (a straight line from
# end to end d has d² / 12, and 2 d / 3 between its outer thirds); a variance that changes by this
# share moves the RMS by half a usual confidence interval (engineering judgement).
SMALLEST_DRIFT = 0.2
# Weather and temperatures may drift, and nobody knows what "other" channels are.
_MAY_DRIFT = ("temperature", "static pressure", "other")
_SPECTRA_OF = (*FORCES, *MOMENTS, *PRESSURES, "bridge", "velocity", "acceleration", "reference")
_FLAT_SPECTRA = ("outlying-value", "spikes")  # codes: single samples reach up to any frequency
# Shares of the Nyquist frequency: where the top of the spectrum begins, and from where to where it
# is looked how steeply it falls towards there.
TOP, SLOPE_FROM, SLOPE_TO = 0.9, 0.5, 0.7
STEEPEST = 12  # power of frequency; a steeper spectrum has nothing left to fold
# Folded power of 2 % of the variance is 1 % of the RMS, a tenth of a usual confidence interval;
# 10 % of a bin's is a third of a bin's own scatter with 100 degrees of freedom (engineering
# judgement).
FOLDED_SHARE, FOLDED_OF_BIN = 0.02, 0.1
# A top that the wind-off run has half of is the sensor's noise, not the flow's.
NOISE_SHARE = 0.5
# A run of less than this share of its fellows' median length was cut short (engineering judgement).
SHORT_SHARE = 0.5
FEWEST_FELLOWS = 3  # runs of one kind, itself among them


def record_findings(
    run: Run,
    spectra: SegmentSpectra,
    usable: Callable[[Channel], float],
    wind_off: Sequence[RunAnalysis],
    told: Sequence[Finding] = (),
) -> list[Finding]:
    """Of one run with wind: drifts, folded power, too few segments; none without.

    `usable` gives a channel's highest trusted frequency; `wind_off` are the run's zeros; `told` is
    what its samples have said already.
    """
    if run.kind != "wind-on":
        return []
    return [
        *_few_segments(run, spectra),
        *_drifts(run, spectra, usable),
        *_aliasing(run, spectra, wind_off, told),
    ]


def noise_left(run: Run, wind_off: Run) -> Finding:
    """A wind-off run whose channels are not those of the run that names it."""
    own = {channel.name for channel in wind_off.channels}
    lost = [channel.name for channel in run.channels if channel.name not in own]
    differs = f"it has no {', '.join(lost)}" if lost else "its channels are stated otherwise"
    return Finding(
        "warning",
        "noise-not-removed",
        run.number,
        None,
        f"the noise of wind-off run {wind_off.number} is not taken out of the fluctuations: "
        f"{differs}.",
        "log and state the same channels, with the same direction, in both runs.",
    )


def length_findings(runs: Sequence[RunAnalysis]) -> list[Finding]:
    """Runs that are much shorter than the others of the same kind."""
    found = []
    for kind in ("wind-on", "wind-off"):
        alike = [r for r in runs if r.run.kind == kind and r.run.excitation is None]
        lengths_s = {r.run.number: r.spectra.duration_s for r in alike}
        usual_s = median(lengths_s.values()) if len(lengths_s) >= FEWEST_FELLOWS else 0.0
        found += [
            Finding(
                "warning",
                "short-run",
                number,
                None,
                f"the record is {length_s:.3g} s long, the {kind} runs' median is {usual_s:.3g} s: "
                "it may have been cut short",
                "look whether the logger or the copy stopped early; repeat the run if it did",
            )
            for number, length_s in lengths_s.items()
            if length_s < SHORT_SHARE * usual_s
        ]
    return found


def _few_segments(run: Run, spectra: SegmentSpectra) -> Iterator[Finding]:
    if spectra.n_segments < MARKED_SEGMENTS:
        yield Finding(
            "warning",
            "few-segments",
            run.number,
            None,
            f"{spectra.duration_s:.3g} s give {spectra.n_segments} segments of "
            f"{spectra.segment_s:.3g} s; with fewer than {MARKED_SEGMENTS} the scatter is poorly "
            "known, and with it every interval",
            "record for longer, or repeat the run: runs of one configuration count together",
        )


def _drifts(
    run: Run, spectra: SegmentSpectra, usable: Callable[[Channel], float]
) -> Iterator[Finding]:
    """Means and variances that rise or fall steadily, by Šidák's level for all of the run's."""
    kept = [i for i, c in enumerate(run.channels) if c.measures not in _MAY_DRIFT]
    kept = [i for i in kept if spectra.variance[i] > 0]
    if not kept:
        return
    level = 1 - (1 - FALSE_ALARMS) ** (1 / (2 * len(kept)))
    frequency_hz = spectra.frequency_hz[: spectra.settings.retained_bins]
    in_band = np.array([frequency_hz <= usable(channel) for channel in run.channels])
    in_band[:, :FIRST_BIN] = False
    variance = np.einsum("gcf,cf->gc", spectra.group_psd, in_band.astype(float))[:, kept]
    variance *= spectra.frequency_step_hz
    of_means = trends(spectra.group_mean[:, kept], spectra.group_segments)
    of_variances = trends(variance, spectra.group_segments)
    for place, (mean, own) in enumerate(zip(of_means, of_variances, strict=True)):
        channel = run.channels[kept[place]]
        rms = float(np.sqrt(spectra.variance[kept[place]]))
        usual = float(np.average(variance[:, place], weights=spectra.group_segments))
        if mean.p_value < level and abs(mean.change) > SMALLEST_DRIFT * rms:
            said = (
                f"{abs(mean.change):.3g} {channel.unit} ({abs(mean.change) / rms:.0%} of the RMS)"
            )
            yield _drift(run, channel, "mean", said, mean)
        if own.p_value < level and abs(own.change) > SMALLEST_DRIFT * usual:
            yield _drift(run, channel, "variance", f"{abs(own.change) / usual:.0%} of it", own)


def _drift(run: Run, channel: Channel, what: str, by: str, trend: Trend) -> Finding:
    return Finding(
        "warning",
        f"{what}-drifts",
        run.number,
        channel.name,
        f"the {what} {'rises' if trend.change > 0 else 'falls'} by {by} from the first to the last "
        f"third of the record, more steadily than chance makes it (p = {trend.p_value:.1g})",
        "look whether flow, wind speed or sensor had settled; use `from` and `to` for the part "
        "where they had, since spectra and intervals take the record for steady",
    )


@dataclass(frozen=True)
class _Folded:
    """What lies above the Nyquist frequency of one channel and shows below it."""

    channel: str
    share: float  # of the variance
    from_hz: float  # above it a tenth of the spectrum or more may be folded


def _aliasing(
    run: Run, spectra: SegmentSpectra, wind_off: Sequence[RunAnalysis], told: Sequence[Finding]
) -> Iterator[Finding]:
    """Power that does not fall off towards half the sample rate, where no filter is stated."""
    if run.antialias_cutoff_hz is not None:
        return
    jumping = {finding.channel for finding in told if finding.code in _FLAT_SPECTRA}
    found = [
        folded
        for index, channel in enumerate(run.channels)
        if channel.measures in _SPECTRA_OF
        and not channel.rests_on(jumping)
        and (folded := _folded(channel.name, index, spectra, wind_off)) is not None
    ]
    if not found:
        return
    worst = max(found, key=lambda folded: folded.share)
    others = {1: "", 2: " (1 other channel alike)"}.get(
        len(found), f" ({len(found) - 1} other channels alike)"
    )
    rate_hz = spectra.settings.sample_rate_hz
    lowest_hz = min(folded.from_hz for folded in found)
    yield Finding(
        "warning",
        "aliasing",
        run.number,
        None,
        f"the spectrum of {worst.channel} has not died out at {rate_hz / 2:.4g} Hz, half the "
        f"sample rate, and no anti-alias filter is stated: about {worst.share:.0%} of its variance "
        f"may be folded down from above{others}; spectra may be false "
        + (f"above {lowest_hz:.3g} Hz" if lowest_hz > 0 else "at any frequency"),
        "state antialias_cutoff if there was a filter; else sample faster, or filter at 0.4 of the "
        "sample rate. If it is the sensors' noise, a wind-off run named in zero_before shows it",
    )


def _folded(
    name: str, index: int, spectra: SegmentSpectra, wind_off: Sequence[RunAnalysis]
) -> _Folded | None:
    """The spectrum carried on above the Nyquist frequency with the slope it has below; or None."""
    nyquist_hz = spectra.settings.sample_rate_hz / 2
    density = _density(spectra, index, TOP, 1.0)
    before = _density(spectra, index, SLOPE_FROM, SLOPE_TO)
    noise = [
        _density(zero.spectra, position, TOP, 1.0)
        for zero in wind_off
        for position, channel in enumerate(zero.run.channels)
        if channel.name == name
    ]
    variance = spectra.variance[index]
    if not density > max(noise, default=0.0) / NOISE_SHARE or not variance > 0:
        return None
    slope, mirror = _slope(before / density)
    above = density / (1 + mirror) * nyquist_hz / max(slope - 1, 1.0)  # ∫ f^-p, at most f_N wide
    share = above / variance
    if share < FOLDED_SHARE:
        return None
    frequency_hz = spectra.frequency_hz
    carried_on = density / (1 + mirror) * (nyquist_hz / (2 * nyquist_hz - frequency_hz)) ** slope
    clean = np.flatnonzero(carried_on < FOLDED_OF_BIN * spectra.psd[index])
    from_hz = float(frequency_hz[clean[-1]]) if clean.size else 0.0
    return _Folded(name, min(float(share), 1.0), from_hz)


def _slope(ratio: float) -> tuple[float, float]:
    """p of a spectrum ∝ f^-p, and its mirror image at the top as a share of the spectrum there.

    Each measured density holds its mirror image about the Nyquist frequency: `ratio`, of the
    density where the slope is looked for to that at the top, is taken for that of the sums.
    """
    powers = np.linspace(0, STEEPEST, 10 * STEEPEST + 1)
    low, top = (SLOPE_FROM + SLOPE_TO) / 2, (TOP + 1) / 2
    sums = [place**-powers + (2 - place) ** -powers for place in (low, top)]
    slope = float(np.interp(ratio, sums[0] / sums[1], powers))
    return slope, (top / (2 - top)) ** slope


def _density(spectra: SegmentSpectra, index: int, low: float, high: float) -> float:
    """Median PSD between two shares of the Nyquist frequency, whose own bin holds half of one."""
    share = spectra.frequency_hz / (spectra.settings.sample_rate_hz / 2)
    inside = (share >= low) & (share < high)
    return float(np.median(spectra.psd[index, inside])) if inside.any() else 0.0
