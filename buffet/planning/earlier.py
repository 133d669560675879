"""What an earlier campaign tells of the next one: spectra, scatter, peaks, growth, rig."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from math import exp, inf, log, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis, Failure
from buffet.errors import PlanError
from buffet.following import follow
from buffet.peak_search import shows_shedding
from buffet.planning.bandwidth import record_for_rms_s, statistical_bandwidth_hz
from buffet.planning.growth import growths
from buffet.planning.sampling import model_hz
from buffet.planning.subjects import Fluctuation, Shedding, Subjects
from buffet.planning.wind_speeds import rounded_speeds
from buffet.planning.wishes import Premises
from buffet.rating.scatter import Observation, Scatter, by_component, cells, log_variance, scatter
from buffet.road_speed import bin_shares, full_scale
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult, run_result
from buffet.spectral.reduction import COMPONENTS, FIRST_BIN, ReducedSpectra
from buffet.spectral.uncertainty import log_error, log_estimate
from ingest import CorrectionBounds, MeasuredResponse

Array = NDArray[np.float64]
Progress = Callable[[str], None]

# Standard deviations of chance beyond which records scatter more than their spectrum explains.
BEYOND_CHANCE = 2.0
FEWEST_BINS = 4  # of a band that says anything of its spectrum


@dataclass(frozen=True)
class EarlierCampaign:
    """What was read, and what it is like."""

    analysis: CampaignAnalysis
    results: tuple[RunResult, ...]

    @property
    def failed(self) -> tuple[Failure, ...]:
        """Runs that could not be read."""
        return self.analysis.failed

    def known(self) -> Mapping[str, Any]:
        """Values by key of `Wishes`; None where the campaign does not tell them."""
        campaign, runs = self.analysis.campaign, self.analysis.runs
        model = campaign.model
        tubes = [c.tubing for run in runs for c in run.run.logged if c.tubing]
        pieces = next((t for t in tubes if not isinstance(t, MeasuredResponse)), None)
        return {
            "scale": None if model is None else model.scale,
            "strouhal_length_m": None if model is None else model.strouhal_length_m,
            "wind_speeds_m_s": wind_speeds(self.analysis),
            "channels": max((len(run.run.logged) for run in runs), default=None),
            "bytes_per_value": _bytes_per_value(runs),
            "natural_frequency_hz": _natural_frequency_hz(runs),
            "model_mass_kg": None if model is None else model.mass_kg,
            "tube_bore_m": None if pieces is None else min(p.diameter_m for p in pieces),
            "tube_volume_m3": None if pieces is None else sum(p.volume_m3 for p in pieces) or None,
            "configurations": campaign.configurations,
        }

    @property
    def bounds(self) -> CorrectionBounds:
        """How far the rig's response is taken out."""
        return self.analysis.runs[0].run.bounds

    def subjects(self, premises: Premises) -> Subjects:
        """What its spectra ask of a record, for the configurations planned that it knows.

        All of its configurations speak for those that it does not know.
        """
        named = [name for name in premises["configurations"] if self.analysis.of(name)]
        every = len(named) == len(premises["configurations"])
        names = named if every else list(self.analysis.campaign.configurations)
        runs = {name: own for name in names if (own := self.analysis.of(name))}
        fluctuations = tuple(self._fluctuations(runs, premises))
        return Subjects(
            fluctuations,
            tuple(self._sheddings(runs, premises)),
            growths(self.analysis.campaign, runs),
        )

    def _fluctuations(
        self, runs: Mapping[str, Sequence[RunAnalysis]], premises: Premises
    ) -> Iterator[Fluctuation]:
        for word in COMPONENTS:
            told = scatter(self.analysis, partial(log_variance, find=by_component(word)))
            run_to_run, freedom = told_scatter(told, premises, "run_to_run", 0.5)
            for name, own in runs.items():
                costs = [c for run in own if (c := run_cost(run, word, premises)) is not None]
                if not costs:
                    continue
                gaussian = float(np.mean([one.gaussian for one in costs]))
                excess = excess_of(costs, gaussian)
                over_speed = told.over_speed.get(name)
                taken = over_speed is None or premises.is_asked("speed_scatter")
                yield Fluctuation(
                    name,
                    word,
                    gaussian * excess,
                    run_to_run,
                    freedom,
                    premises["speed_scatter"] if taken else sqrt(over_speed or 0.0) / 2,
                    excess,
                    not taken,
                )

    def _sheddings(
        self, runs: Mapping[str, Sequence[RunAnalysis]], premises: Premises
    ) -> Iterator[Shedding]:
        found = {
            one.analysis.run.number: (one, observed)
            for one in self.results
            if (observed := _strouhal(one)) is not None
        }

        def observe(run: RunAnalysis) -> Observation | None:
            known = found.get(run.run.number)
            return None if known is None else known[1]

        told = scatter(self.analysis, observe)
        spread, freedom = told_scatter(told, premises, "strouhal_scatter", 1.0)
        for name, own in runs.items():
            seen = [found[run.run.number] for run in own if run.run.number in found]
            if not seen:
                continue
            peaks = [one.fundamental for one, _ in seen if one.fundamental is not None]
            quality = [p.frequency_hz.value / p.bandwidth_hz.value for p in peaks if _is_broad(p)]
            if not quality:
                continue
            yield Shedding(
                name,
                peaks[0].channel,
                exp(float(np.mean([observed.value for _, observed in seen]))),
                float(np.exp(np.mean(np.log(quality)))),
                float(np.mean([_peak_cost(one, observed) for one, observed in seen])),
                spread,
                freedom,
            )


def earlier_campaign(
    analysis: CampaignAnalysis, progress: Progress = lambda text: None
) -> EarlierCampaign:
    """Peaks of all runs looked for and followed.

    Raises
    ------
    NotRateableError
        The campaign states no model.
    PlanError
        No run with wind could be read.
    """
    full_scale(analysis.campaign)
    if not analysis.runs:
        lost = "".join(f"\n  run {one.run}: {one.error}" for one in analysis.failed)
        raise PlanError(
            f"{analysis.campaign.folder}: no wind-on run could be read, so there is nothing to "
            f"plan by; plan without it{lost}"
        )
    results = []
    for run in analysis.runs:
        progress(f"peaks of run {run.run.number}")
        results.append(run_result(run, shows_shedding))
    return EarlierCampaign(analysis, follow(results))


def wind_speeds(analysis: CampaignAnalysis) -> tuple[float, ...]:
    """Those that were run, rounded as planned ones are, slowest first."""
    points: dict[int, list[float]] = {}
    for (_, index), own in cells(analysis).items():
        speeds = [run.flow.uncorrected_speed_m_s for run in own if run.flow is not None]
        points.setdefault(index, []).extend(speeds)
    means = [mean for own in points.values() if own and (mean := float(np.mean(own))) > 0]
    return tuple(sorted(set(rounded_speeds(means)) - {0.0})) if means else ()


def _bytes_per_value(runs: Sequence[RunAnalysis]) -> float | None:
    """On disk, of the recordings as they are; None where one is there no more."""
    files = [path for run in runs for path in run.run.recordings]
    if not all(path.is_file() for path in files):
        return None
    size = sum(path.stat().st_size for path in files)
    values = sum(run.signal.duration_s * run.sample_rate_hz * len(run.run.logged) for run in runs)
    return size / values if values else None


def _natural_frequency_hz(runs: Sequence[RunAnalysis]) -> float | None:
    """The lowest stated of a component without an accelerometer that gives its inertial part."""
    stated = [
        c.natural_frequency_hz
        for run in runs
        for c in run.run.channels
        if c.is_component and c.natural_frequency_hz is not None and not c.inertial
    ]
    return min(stated, default=None)


@dataclass(frozen=True)
class RunCost:
    """Variance of the logarithm of a band's RMS in one run, times T U / L."""

    gaussian: float  # by the spectrum's statistical bandwidth
    scattered: float  # by the record's own blocks
    blocks: float


def run_cost(run: RunAnalysis, word: str, premises: Premises) -> RunCost | None:
    """Of one component, in the band of the lowest or highest road speed, whichever asks more.

    None where it was not measured, or only noise is in the band.
    """
    index = run.fluctuation(word)
    if index is None or run.flow is None or run.model is None:
        return None
    advection_s = run.model.strouhal_length_m / run.flow.speed_m_s
    found = []
    for road_m_s in premises["road_speeds_m_s"]:
        low, high = (
            model_hz(f, run.flow.speed_m_s, road_m_s, run.model.scale) for f in premises["band_hz"]
        )
        high = min(high, float(run.signal.usable_hz[index]))
        low = max(low, FIRST_BIN * run.signal.frequency_step_hz)
        if high - low < FEWEST_BINS * run.signal.frequency_step_hz:
            continue
        one = _band_cost(run, index, (low, high), advection_s)
        if one is not None:
            found.append(one)
    return max(found, key=lambda one: one.gaussian, default=None)


def _band_cost(
    run: RunAnalysis, index: int, band_hz: tuple[float, float], advection_s: float
) -> RunCost | None:
    frequency = run.signal.frequency_hz
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    read = run.signal.psd[index, inside]
    noise = np.zeros_like(read) if run.noise_psd is None else run.noise_psd[index, inside]
    if (read - noise).sum() <= 0:
        return None
    bandwidth_hz = statistical_bandwidth_hz(
        frequency[inside], read - noise, noise, run.signal.effective_segments
    )

    def in_band(spectra: ReducedSpectra) -> Array:
        step = np.array([spectra.frequency_step_hz])
        edges = np.array([band_hz[0]]), np.array([band_hz[1]])
        shares = bin_shares(spectra.frequency_hz[None], step, *edges)[0, 0]
        return np.asarray(spectra.group_psd[:, index] @ shares * step[0])

    resampling = run.resampling(index)
    estimate = log_estimate(run.samples(in_band, resampling), resampling.blocks)
    if not estimate.value > 0:
        return None
    times = run.signal.duration_s / advection_s
    gaussian = record_for_rms_s(bandwidth_hz * advection_s, 1.0)
    return RunCost(gaussian, float(estimate.spread) ** 2 / 4 * times, resampling.blocks)


def excess_of(costs: Sequence[RunCost], gaussian: float) -> float:
    """Scatter of the records over that of Gaussian noise of their spectra, 1 within chance.

    A variance told by n_b blocks has a relative standard deviation of √(2 / (n_b - 1)).
    """
    ratio = float(np.mean([one.scattered for one in costs])) / gaussian
    freedom = sum(max(one.blocks - 1, 1.0) for one in costs)
    return ratio if ratio > 1 + BEYOND_CHANCE * sqrt(2 / freedom) else 1.0


def told_scatter(told: Scatter, premises: Premises, key: str, power: float) -> tuple[float, float]:
    """Relative standard deviation from run to run and its degrees of freedom.

    As asked for; else as the repeats tell it, and no less than their own lengths could hide by
    chance (one standard deviation of a variance of as many degrees of freedom); else the default.

    Parameters
    ----------
    power : of the observed figure that is meant: a half for an RMS told by variances
    """
    if premises.is_asked(key) or not told.freedom:
        return premises[key], inf
    hidden = told.own * sqrt(2 / told.freedom)
    return power * sqrt(max(told.run_to_run, hidden)), float(told.freedom)


def _is_broad(peak: Any) -> bool:
    return bool(peak.bandwidth_hz.value > 0)


def _strouhal(result: RunResult) -> Observation | None:
    """Logarithm of a run's Strouhal number."""
    if result.strouhal is None or result.fundamental is None:
        return None
    if not _is_broad(result.fundamental) or result.strouhal.high is None:
        return None
    return Observation(log(result.strouhal.value), log_error(result.strouhal) ** 2)


def _peak_cost(result: RunResult, observed: Observation) -> float:
    """Variance of the logarithm of its frequency, times T U / L."""
    per_hz = result.strouhal_per_hz
    assert per_hz is not None
    return observed.variance * result.analysis.signal.duration_s / per_hz
