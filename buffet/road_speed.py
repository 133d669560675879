"""Carrying a run to the full-size car at road speeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.errors import NotRateableError
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import FIRST_BIN, ReducedSpectra
from ingest import ROAD_AIR, Campaign, Model

Array = NDArray[np.float64]

# An angle of yaw with less of the weight than this need not reach as far as the others
# (engineering judgement).
LEAST_WEIGHT = 0.01

NO_ROAD = "no road speed was given, or no wind or model is stated"


@dataclass(frozen=True)
class FullScale:
    """The full-size car's aerodynamic reference values."""

    area_m2: float
    wheelbase_m: float
    strouhal_length_m: float
    scale: float

    @classmethod
    def of(cls, model: Model) -> FullScale:
        """From the model's, lengths divided by the scale."""
        return cls(
            model.frontal_area_m2 / model.scale**2,
            model.wheelbase_m / model.scale,
            model.strouhal_length_m / model.scale,
            model.scale,
        )

    def dynamic_pressure_pa(self, speed_m_s: Array | float) -> Array | float:
        """½ ρ V² in the road's air."""
        return 0.5 * ROAD_AIR.density_kg_m3 * speed_m_s**2

    def reynolds(self, speed_m_s: float) -> float:
        """On the Strouhal length, in the road's air."""
        kinematic = ROAD_AIR.viscosity_pa_s / ROAD_AIR.density_kg_m3
        return speed_m_s * self.strouhal_length_m / kinematic


def full_scale(campaign: Campaign) -> FullScale:
    """The campaign's full-size car.

    Raises
    ------
    NotRateableError
        The campaign states no model.
    """
    if campaign.model is None:
        raise NotRateableError(
            f"{campaign.folder / 'campaign.toml'}: no [model] is stated, so nothing can be carried "
            "to a road speed; state scale, frontal_area, wheelbase and strouhal_length there"
        )
    return FullScale.of(campaign.model)


@dataclass(frozen=True)
class RoadBand:
    """Road frequencies that runs let through at each of several road speeds.

    Runs of one group are repeats of each other; groups, of one yaw angle each, add up by weight.
    """

    low_hz: Array  # (n_runs, n_speeds)
    high_hz: Array  # (n_runs, n_speeds)
    group: tuple[int, ...]  # of each run
    weights: Array  # (n_groups, n_speeds)

    @classmethod
    def of(
        cls,
        runs: Sequence[RunAnalysis],
        words: Sequence[str],
        speeds_m_s: Array,
        group: Sequence[int] | None = None,
        weights: Array | None = None,
    ) -> RoadBand:
        """From what resolution, sensors, filter and rig leave of the components named.

        All runs are of one group where none are given.
        """
        ratio = np.array([frequency_ratio(run, speeds_m_s) for run in runs])
        low = np.array([FIRST_BIN * run.signal.frequency_step_hz for run in runs])
        high = np.array([usable_hz(run.signal, words) for run in runs])
        if group is None or weights is None:
            group, weights = (0,) * len(runs), np.ones((1, len(speeds_m_s)))
        return cls(low[:, None] * ratio, high[:, None] * ratio, tuple(group), weights)

    @property
    def union_hz(self) -> tuple[Array, Array]:
        """Lowest and highest road frequency that any run of each group reaches, ``(n_speeds,)``.

        Of several groups those which all reach that have any weight to speak of.
        """
        counts = self.weights >= LEAST_WEIGHT * self.weights.sum(axis=0)
        members = [self.members(group) for group in range(len(self.weights))]
        low = np.array([self.low_hz[own].min(axis=0) for own in members])
        high = np.array([self.high_hz[own].max(axis=0) for own in members])
        return (
            np.where(counts, low, -np.inf).max(axis=0),
            np.where(counts, high, np.inf).min(axis=0),
        )

    def members(self, group: int) -> list[int]:
        """Positions of a group's runs."""
        return [position for position, own in enumerate(self.group) if own == group]

    def share(self, run: int, frequency_hz: Array) -> Array:
        """Weight of one run at road frequencies ``(n_speeds, n)``.

        Its group's weight over the runs of the group that reach.
        """
        own = self.members(self.group[run])
        reach = (frequency_hz >= self.low_hz[own][:, :, None]) & (
            frequency_hz <= self.high_hz[own][:, :, None]
        )
        alike = reach[own.index(run)] / np.maximum(reach.sum(axis=0), 1)
        return np.asarray(alike * self.weights[self.group[run]][:, None])


def frequency_ratio(run: RunAnalysis, speeds_m_s: Array) -> Array:
    """Road frequency over model frequency, (V / U) · scale.

    Raises
    ------
    NotRateableError
        The run has no wind speed or no model.
    """
    if run.flow is None or run.model is None:
        raise NotRateableError(
            f"run {run.run.number}: no wind speed or dynamic pressure is known, so it cannot be "
            "carried to a road speed; state [air] speed in its sheet, or leave the run out"
        )
    return np.asarray(speeds_m_s / run.flow.speed_m_s * run.model.scale)


def road_ratio(run: RunAnalysis, speed_m_s: float | None) -> float | None:
    """`frequency_ratio` at one road speed; None without a speed, wind or model."""
    if speed_m_s is None or run.flow is None or run.model is None:
        return None
    return float(frequency_ratio(run, np.array(speed_m_s)))


def usable_hz(spectra: ReducedSpectra, words: Sequence[str]) -> float:
    """Upper end of the band in which all the components named can be trusted."""
    where = [spectra.measured(word) for word in words]
    return min((float(spectra.usable_hz[i]) for i in where if i is not None), default=0.0)


def bin_shares(frequency_hz: Array, step_hz: Array, low_hz: Array, high_hz: Array) -> Array:
    """Share of each bin inside each band, ``(n_speeds, n_bands, n_bins)``.

    Parameters
    ----------
    frequency_hz : (n_speeds, n_bins), centres
    step_hz : (n_speeds,), widths
    low_hz, high_hz : (n_bands,)
    """
    half = step_hz[:, None, None] / 2
    centre = frequency_hz[:, None, :]
    bottom = np.maximum(centre - half, low_hz[None, :, None])
    top = np.minimum(centre + half, high_hz[None, :, None])
    return np.clip((top - bottom) / (2 * half), 0, 1)
