"""What of a run's variance compares over wind speeds: up to one Strouhal number, without the rig.

A run's RMS holds whatever stands still in frequency, and its band ends at the same hertz at every
wind speed: both change a coefficient with the speed where the flow does not (a resonance of the
rig seen at three speeds made a side force of constant coefficient fall by 29 % per doubling).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.rating.scatter import Observation, log_observation
from buffet.road_speed import bin_shares
from buffet.run_spectra import QuantityResult, RunResult
from buffet.spectral.reduction import ReducedSpectra, left_over
from buffet.spectral.uncertainty import Unseen, half_value, log_error, log_estimate
from buffet.sweep.unseen import At, unseen_variance

Array = NDArray[np.float64]

# Share of a variance that may be unseen before a run says nothing of a change: five percent of
# the RMS (engineering judgement).
MOST_UNSEEN = 0.1
# Share of a variance that may be taken out before what is left hangs on the fit: beside a
# resonance of thrice the flow's variance intervals held 60 to 85 % of truths (simulated).
MOST_TAKEN_OUT = 2 / 3


@dataclass(frozen=True)
class FlowPart:
    """Of one quantity in one run."""

    rms: Interval | None  # None where nothing is left above the wind-off noise
    log_variance: Observation | None
    up_to_hz: float
    taken_out: float  # share of the variance up to there in peaks that are not the flow's
    unseen: float  # share that peaks which other runs show, and this one does not, may change

    @property
    def is_clear(self) -> bool:
        """Whether unseen peaks hardly matter and those taken out do not rule."""
        return self.unseen <= MOST_UNSEEN and self.taken_out <= MOST_TAKEN_OUT


def band_ends(results: Sequence[RunResult]) -> dict[str, float]:
    """Of every quantity, frequency over wind speed up to which all runs may be used, 1/m."""
    ends: dict[str, float] = {}
    for result in results:
        if result.analysis.flow is None:
            continue
        for one in result.quantities:
            own = one.usable_to_hz / result.analysis.flow.speed_m_s
            ends[one.quantity.name] = min(own, ends.get(one.quantity.name, np.inf))
    return ends


def flow_parts(
    result: RunResult, ends: Mapping[str, float], others: Sequence[RunResult]
) -> dict[str, FlowPart]:
    """Of every quantity that is not dead; `others` are the other runs of the configuration."""
    run, quantities = result.analysis, result.quantities
    assert run.flow is not None
    up_to_hz = [ends[one.quantity.name] * run.flow.speed_m_s for one in quantities]

    def totals(spectra: ReducedSpectra) -> Array:
        return _totals(spectra, _in_band(spectra, up_to_hz) * _kept(spectra, quantities))

    samples = run.quantity_samples(totals)
    powers = run.signal.psd * _in_band(run.signal, up_to_hz) * run.signal.frequency_step_hz
    kept = powers * _kept(run.signal, quantities)
    parts = {}
    for i, one in enumerate(quantities):
        name, n = one.quantity.name, len(one.frequency_hz)
        whole, left = powers[i, :n], kept[i, :n]
        if run.dead[i] or not left.sum() > 0:
            continue
        known = _at(others, name)
        unseen = unseen_variance(At(run.flow.speed_m_s, one), known, left, whole - left)
        rms, seen = _estimates(
            samples[:, i],
            run.resampling(i).blocks,
            _doubt(one, whole, left) / left.sum(),
            {f"{run.flow.speed_m_s:.0f} m/s": float(unseen / left.sum() / np.sqrt(3))},
        )
        shares = 1 - left.sum() / whole.sum(), unseen / whole.sum()
        parts[name] = FlowPart(rms, seen, up_to_hz[i], *map(float, shares))
    return parts


def _at(results: Sequence[RunResult], name: str) -> list[At]:
    return [
        At(one.analysis.flow.speed_m_s, quantity)
        for one in results
        for quantity in one.quantities
        if one.analysis.flow is not None and quantity.quantity.name == name
    ]


def _estimates(
    samples: Array, blocks: float, doubt: float, shared: Mapping[str, float]
) -> tuple[Interval | None, Observation | None]:
    """RMS and the variance's logarithm.

    `doubt` is the relative error of the variance that the peaks' fit leaves; `shared` that of
    unseen peaks, which repeats share, as of anything between nothing and the most.
    """
    seen = log_observation(samples, blocks)
    if seen is None:
        return None, None
    unseen = Unseen(doubt**2 + sum(error**2 for error in shared.values()))
    estimate = half_value(log_estimate(samples, blocks, (unseen,)))
    variance, freedom = seen.variance + doubt**2, max(blocks - 1, 1.0)
    return estimate.interval(), Observation(seen.value, variance, freedom, shared)


def _others(one: QuantityResult) -> list[int]:
    """Peaks that are not the flow's about the model."""
    return [i for i, (_, kind) in enumerate(one.followed) if not kind.may_be_wake]


def _kept(spectra: ReducedSpectra, quantities: Sequence[QuantityResult]) -> Array:
    """Share of each bin left without what turns, hums or resounds, ``(n_quantities, n_bins)``.

    By the peaks' fit, as the filter does that knows the spectra of both parts (Wiener 1949). The
    spectra may be those of a wind-off run, on bins of its own.
    """
    kept = [
        np.interp(
            spectra.frequency_hz, one.frequency_hz, 1 - one.peak_shares[_others(one)].sum(axis=0)
        )
        for one in quantities
    ]
    return np.asarray(np.maximum(kept, 0.0))


def _in_band(spectra: ReducedSpectra, up_to_hz: Sequence[float]) -> Array:
    """Share of each bin below each quantity's end, ``(n_quantities, n_bins)``."""
    step = np.array([spectra.frequency_step_hz])
    ends = np.array(up_to_hz)
    return np.asarray(bin_shares(spectra.frequency_hz[None], step, np.zeros_like(ends), ends)[0])


def _totals(spectra: ReducedSpectra, weights: Array) -> Array:
    """Each group's variance under weights ``(n_quantities, n_bins)``."""
    weights = weights * spectra.usable_bins
    in_bins = np.einsum("gqf,qf->gq", spectra.group_psd, weights) * spectra.frequency_step_hz
    below = spectra.below_resolution * left_over(spectra, spectra.psd * weights)
    return np.asarray(in_bins + below)


def _doubt(one: QuantityResult, whole: Array, left: Array) -> float:
    """Standard deviation of the sum of `left` for the errors of the peaks that were taken out.

    A peak's power P in a bin with the power S is wrong by u P. If the rest R is known from other
    bins, what is left, R S / (P + R), is wrong by u P R / S; if it is only known that both make S,
    by u P. Between the two, u P √(R / S): with the first alone, intervals beside a resonance of
    thrice the flow's variance were too narrow (simulated).
    """
    between = np.sqrt(whole * np.maximum(left, 0))
    parts = [
        2 * log_error(one.peaks[i].rms) * float(one.peak_shares[i] @ between) for i in _others(one)
    ]
    return float(np.sqrt(np.sum(np.square(parts))))
