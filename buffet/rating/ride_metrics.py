"""What the car makes of the wake: variances at the seat and under the rear axle."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.cabin.open_cabin import open_cabin_figures
from buffet.crossings.modes import FixedMode, ModeCurve, mode_curves
from buffet.perception.weighting import weighting
from buffet.rating.motions import LATERAL, MOTIONS, ROLL, MotionName
from buffet.rating.wind import YawDistribution
from buffet.road_speed import FullScale, RoadBand, bin_shares, frequency_ratio
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import COMPONENTS, ReducedSpectra
from buffet.spectral.uncertainty import Resampling
from buffet.vehicle import CarModel, CarRows, Road, road_seat_psd
from ingest import FORCES, Vehicle

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Octaves slide by a twelfth, so that none lies more than a 24th of an octave off the worst.
OCTAVE_STEPS = 12
# Points per octave of the road's integrals: the ride's narrowest mode spans several.
ROAD_POINTS = 96
# Frequencies at which the car's responses are worked out; between them they are straight lines
# (off by less than a thousandth), beyond them they stay.
RESPONSE_HZ = np.geomspace(0.05, 100.0, 64 * 11 + 1)
# What changes its sign where a symmetrical car is seen in a mirror.
SIDEWAYS = (*LATERAL, *ROLL)
# An open cabin's own frequency among the modes; leaks and walls that give way damp it to a Q of
# about five (engineering judgement).
CABIN, CABIN_DAMPING = "open cabin", 0.1
# Bins averaged for the level that is carried on beyond the usable band.
LAST_BINS = 5


def sliding_octaves(low_hz: float, high_hz: float) -> tuple[Array, Array]:
    """Lower and upper edges of octaves that slide through a band, each ``(n,)``."""
    n = int(np.floor(np.log2(high_hz / low_hz / 2) * OCTAVE_STEPS + 1e-9)) + 1
    low = low_hz * 2 ** (np.arange(max(n, 1)) / OCTAVE_STEPS)
    return low, 2 * low


@dataclass(frozen=True)
class RideSetting:
    """The car, the road, the wind and the road speeds at which a wake is rated."""

    vehicle: Vehicle
    road: Road
    full_scale: FullScale
    speeds_m_s: Array  # (n_speeds,)
    coarser: int = 1  # so many times fewer frequencies, where only cars are held against each other
    wind: YawDistribution | None = None  # None: still air
    rated_m_s: float | None = None  # of `speeds_m_s`, the one that verdicts are about

    def tried_m_s(self, n: int) -> Array:
        """A few road speeds over all of them, between which what changes slowly is interpolated.

        The rated one is among them, so that a verdict does not hang on the others asked for.
        """
        low, high = float(self.speeds_m_s.min()), float(self.speeds_m_s.max())
        rated = [] if self.rated_m_s is None else [self.rated_m_s]
        return np.unique([*np.geomspace(low, high, n), *rated])

    @cached_property
    def car(self) -> CarModel:
        """How the car moves."""
        return CarModel.of(self.vehicle)

    @cached_property
    def mode_curves(self) -> tuple[ModeCurve, ...]:
        """Modes of car and open cabin between the lowest and the highest of the road speeds."""
        low, high = float(self.speeds_m_s[0]), float(self.speeds_m_s[-1])
        cabin = open_cabin_figures(self.vehicle, low)
        fixed = [FixedMode(CABIN, cabin.helmholtz_hz, CABIN_DAMPING)] if cabin else []
        return mode_curves(self.car, low, high, fixed)

    @cached_property
    def load_scale(self) -> Array:
        """Loads per coefficient of `COMPONENTS`, ``(n_speeds, 6)``, N and N m."""
        q = np.asarray(self.full_scale.dynamic_pressure_pa(self.speeds_m_s))
        arms = [1.0 if word in FORCES else self.full_scale.wheelbase_m for word in COMPONENTS]
        return np.asarray(q[:, None] * self.full_scale.area_m2 * np.array(arms))

    def why_not(self, motion: MotionName) -> str | None:
        """Why the car's data do not give a motion; None where they do at some road speed."""
        return None if any(self._answers(motion)) else self._responses(motion)[-1].why

    def answers(self, motion: MotionName) -> NDArray[np.bool_]:
        """At which road speeds the car's data give a motion, ``(n_speeds,)``."""
        return np.array(self._answers(motion))

    def _answers(self, motion: MotionName) -> list[bool]:
        return [one.rows is not None for one in self._responses(motion)]

    def rows(self, motion: MotionName, frequency_hz: Array) -> Complex:
        """A motion, weighted, per coefficient at road frequencies ``(n_speeds, n)``.

        Shape ``(n_speeds, n, 6)``; zero where the car's data do not give it.
        """
        rows = np.zeros((*frequency_hz.shape, len(COMPONENTS)), complex)
        for at, one in enumerate(self._responses(motion)):
            if one.rows is None:
                continue
            for column in np.flatnonzero(np.abs(one.rows).max(axis=0)):
                rows[at, :, column] = np.interp(
                    frequency_hz[at], self._response_hz, one.rows[:, column]
                )
        kind = MOTIONS[motion]
        rows *= kind.factor(self.car) * self.load_scale[:, None, :]
        if kind.weighting is not None:
            rows *= weighting(kind.weighting, frequency_hz)[..., None]
        return rows

    @property
    def _response_hz(self) -> Array:
        return RESPONSE_HZ[:: self.coarser]

    def _responses(self, motion: MotionName) -> list[CarRows]:
        """One a road speed, at `_response_hz`; kept."""
        if motion not in self._known_responses:
            output = MOTIONS[motion].output
            self._known_responses[motion] = [
                self.car.response(output, self._response_hz, float(speed))
                for speed in self.speeds_m_s
            ]
        return self._known_responses[motion]

    @cached_property
    def _known_responses(self) -> dict[MotionName, list[CarRows]]:
        return {}

    def road_octaves(self, low_hz: Array, high_hz: Array) -> Array:
        """Weighted seat acceleration variance from the road, ``(n_speeds, n_octaves)``; kept."""
        key = low_hz.tobytes() + high_hz.tobytes()
        if key not in self._known_roads:
            self._known_roads[key] = self._road_octaves(low_hz, high_hz)
        return self._known_roads[key]

    @cached_property
    def _known_roads(self) -> dict[bytes, Array]:
        return {}

    def _road_octaves(self, low_hz: Array, high_hz: Array) -> Array:
        edges = np.log2([low_hz.min(), high_hz.max()])
        n = int(np.ceil((edges[1] - edges[0]) * ROAD_POINTS / self.coarser)) + 1
        grid = np.geomspace(low_hz.min(), high_hz.max(), n)
        weight = np.abs(weighting("Wk", grid)) ** 2
        result = []
        for speed in self.speeds_m_s:
            density = weight * road_seat_psd(self.car, grid, float(speed), self.road)
            steps = np.diff(grid) * (density[1:] + density[:-1]) / 2
            integral = np.concatenate([[0.0], np.cumsum(steps)])
            result.append(np.interp(high_hz, grid, integral) - np.interp(low_hz, grid, integral))
        return np.array(result)


@dataclass(frozen=True)
class RunMotion:
    """One run carried to the road speeds: functionals for the bootstrap."""

    setting: RideSetting
    run: RunAnalysis
    position: int  # of the run in `band`
    band: RoadBand
    motion: MotionName
    inputs: tuple[str, ...]  # components of it that every run of the configuration measured
    # By frequencies: criteria, repeats and zeros share them. A whole campaign's would not fit.
    rows: dict[bytes, Complex] = field(default_factory=dict)
    mirrored: bool = False  # it stands for the wind from the other side

    def variances(self, low_hz: Array, high_hz: Array) -> Array:
        """Bootstrap samples of this run's share, ``(1 + n_resamples, n_speeds, n_bands)``."""
        return self.run.samples(
            lambda spectra: self._functional(spectra, low_hz, high_hz), self.resampling
        )

    @property
    def resampling(self) -> Resampling:
        """Of the motion's family."""
        return self.run.resamplings[MOTIONS[self.motion].family]

    def usable_hz(self, word: str) -> float:
        """Upper end of one component's own band, on the model."""
        index = self.run.signal.measured(word)
        return 0.0 if index is None else float(self.run.signal.usable_hz[index])

    def _functional(self, spectra: ReducedSpectra, low_hz: Array, high_hz: Array) -> Array:
        ratio = frequency_ratio(self.run, self.setting.speeds_m_s)
        road_hz = spectra.frequency_hz * ratio[:, None]
        step_hz = spectra.frequency_step_hz * ratio
        shares = bin_shares(road_hz, step_hz, low_hz, high_hz)
        shares = shares * self.band.share(self.position, road_hz)[:, None, :]
        return spectra.functional(self._onto(spectra, road_hz, ratio), shares)

    def carried_on(self, edges_hz: tuple[Array, Array], until_hz: float) -> Array:
        """Variance that the last level, carried on flat, would add, ``(n_speeds, n_bands)``.

        From the run's own upper end to `until_hz`, the noise taken out.
        """
        ratio = frequency_ratio(self.run, self.setting.speeds_m_s)
        top_hz = self.band.high_hz[self.position]
        level = self._last_level(top_hz[0] / ratio[0]) / ratio[:, None, None]
        until = np.maximum(until_hz, top_hz * (1 + 1e-9))
        grid = np.linspace(top_hz, until, 200, axis=1)
        row = self._onto(self.run.signal, grid, None)
        density = np.einsum("vfi,vij,vfj->vf", row, level, np.conj(row)).real
        step_hz = grid[:, 1] - grid[:, 0]
        shares = bin_shares(grid, step_hz, *edges_hz) * (top_hz < until_hz)[:, None, None]
        added = np.einsum("vbf,vf->vb", shares, np.maximum(density, 0))
        return np.asarray(added * step_hz[:, None])

    def _last_level(self, top_hz: float) -> Complex:
        """Mean cross-spectral matrix of the last usable bins, noise taken out."""

        def last(spectra: ReducedSpectra) -> Complex:
            bins = np.flatnonzero(spectra.frequency_hz <= top_hz)[-LAST_BINS:]
            groups = spectra.group_matrix[:, bins].mean(axis=1)
            return np.average(groups, axis=0, weights=spectra.group_segments)

        level = last(self.run.signal)
        for floor in self.run.noise:
            level = level - last(floor.spectra) / len(self.run.noise)
        return np.asarray(level)

    def _onto(self, spectra: ReducedSpectra, road_hz: Array, ratio: Array | None) -> Complex:
        """The motion's rows placed on the components that were measured.

        What only adds to the motion does so up to the end of its own band, which is known where
        `ratio`, road frequency over model frequency, is given, and not at all beyond all bands.
        """
        key = road_hz.tobytes()
        if key not in self.rows:
            self.rows[key] = self.setting.rows(self.motion, road_hz)
        rows = self.rows[key]
        placed = np.zeros((*rows.shape[:-1], len(spectra.components)), complex)
        for word in self.inputs:
            column = rows[..., COMPONENTS.index(word)]
            if word in MOTIONS[self.motion].more:
                if ratio is None:
                    continue
                own_hz = self.usable_hz(word)
                column = np.where(road_hz <= own_hz * ratio[:, None], column, 0)
            if self.mirrored and word in SIDEWAYS:
                column = -column
            placed[..., spectra.components.index(word)] = column
        return placed
