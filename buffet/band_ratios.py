"""RMS of one configuration over that of another in octaves of road frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis
from buffet.bands import octave_edges
from buffet.interval import Interval
from buffet.pairs import Estimate, Pair, exponential
from buffet.rating.scatter import Observation, Scatter, by_component, log_observation, scatter
from buffet.road_speed import bin_shares, frequency_ratio
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra

Array = NDArray[np.float64]


@dataclass(frozen=True)
class BandRatio:
    """Ratio of RMS in one band of road frequencies; None where there is none, and why."""

    road_low_hz: float
    road_high_hz: float
    ratio: Interval | None
    p_value: float | None  # of no difference
    why: str | None


class RoadOctaves:
    """Variances of all runs of a campaign in octaves of road frequency at one road speed."""

    def __init__(self, analysis: CampaignAnalysis, speed_m_s: float) -> None:
        self.analysis = analysis
        self._ratio = {
            run.run.number: float(frequency_ratio(run, np.array([speed_m_s]))[0])
            for run in analysis.runs
        }
        self._samples: dict[str, Array] = {}
        self._scatter: dict[tuple[str, int], Scatter] = {}

    @cached_property
    def edges_hz(self) -> Array:
        """Road frequencies between the octaves that any run reaches, ``(n_bands + 1,)``."""
        low = [self._lowest_hz(run) for run in self.analysis.runs]
        high = [self._highest_hz(run, run.signal.usable_hz.max()) for run in self.analysis.runs]
        return octave_edges(min(low, default=0.0), max(high, default=0.0))

    def _lowest_hz(self, run: RunAnalysis) -> float:
        return FIRST_BIN * run.signal.frequency_step_hz * self._ratio[run.run.number]

    def _highest_hz(self, run: RunAnalysis, usable_hz: float) -> float:
        return float(usable_hz) * self._ratio[run.run.number]

    def reaches(self, run: RunAnalysis, word: str, band: int) -> bool:
        """Whether a run's component can be trusted in the whole of a band."""
        index = run.fluctuation(word)
        if index is None:
            return False
        low, high = self.edges_hz[band : band + 2]
        top = self._highest_hz(run, run.signal.usable_hz[index])
        return bool(self._lowest_hz(run) <= low * (1 + 1e-9) and high <= top * (1 + 1e-9))

    def samples(self, run: RunAnalysis, word: str, band: int) -> Array:
        """Bootstrap samples of a component's variance in a band, ``(1 + n_resamples,)``."""
        number = run.run.number
        if number not in self._samples:
            model_hz = self.edges_hz / self._ratio[number]

            def in_bands(spectra: ReducedSpectra) -> Array:
                step = np.array([spectra.frequency_step_hz])
                shares = bin_shares(spectra.frequency_hz[None], step, model_hz[:-1], model_hz[1:])
                return np.asarray(spectra.group_psd @ shares[0].T * step[0])

            self._samples[number] = run.quantity_samples(in_bands)
        return np.asarray(self._samples[number][:, run.fluctuation(word), band])

    def scatter(self, word: str, band: int) -> Scatter:
        """From run to run, of the logarithm of the variance in a band."""
        if (word, band) not in self._scatter:

            def observe(run: RunAnalysis) -> Observation | None:
                index = run.fluctuation(word)
                if index is None or not self.reaches(run, word, band):
                    return None
                return log_observation(self.samples(run, word, band), run.resampling(index).blocks)

            self._scatter[word, band] = scatter(self.analysis, observe)
        return self._scatter[word, band]

    def ratios(self, pair: Pair, word: str) -> list[BandRatio]:
        """Of every band, the p-values not corrected; none where the component has no ratio."""
        if pair.log_ratio(word) is None:
            return []
        return [self._ratio_of(pair, word, band) for band in range(len(self.edges_hz) - 1)]

    def _ratio_of(self, pair: Pair, word: str, band: int) -> BandRatio:
        low, high = (float(edge) for edge in self.edges_hz[band : band + 2])
        runs = [*pair.runs(pair.name), *pair.runs(pair.other)]
        lost = [run.run.number for run in runs if not self.reaches(run, word, band)]
        if lost:
            return BandRatio(low, high, None, None, f"beyond the usable band of run {lost[0]}")
        logs = self._log_ratio(pair, word, band)
        if logs is None:
            return BandRatio(low, high, None, None, "nothing rises above the wind-off noise")
        return BandRatio(low, high, exponential(logs.interval()), logs.p_value(), None)

    def _log_ratio(self, pair: Pair, word: str, band: int) -> Estimate | None:
        def samples(run: RunAnalysis, index: int) -> Array:
            return self.samples(run, word, band)

        return pair.log_ratio_of(by_component(word), self.scatter(word, band), samples)


def with_p_values(ratios: Sequence[BandRatio], p_values: Sequence[float]) -> list[BandRatio]:
    """The same with corrected p-values, in the order of those that have one."""
    left = iter(p_values)
    return [one if one.p_value is None else replace(one, p_value=next(left)) for one in ratios]
