"""What the car makes of the wake: variances at the seat and under the rear axle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.perception.weighting import weighting
from buffet.road_speed import FullScale, RoadBand, bin_shares, frequency_ratio
from buffet.run_analysis import RunAnalysis
from buffet.spectral.reduction import ReducedSpectra
from buffet.vehicle import RideModel, Road, road_track_m, seat_acceleration_psd
from ingest import Vehicle

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# The ride model's inputs, in its order.
RIDE_INPUTS = ("drag", "lift", "pitch moment")
# Octaves slide by a twelfth, so that none lies more than a 24th of an octave off the worst.
OCTAVE_STEPS = 12
# Points per octave of the road's integrals: the ride's narrowest mode spans several.
ROAD_POINTS = 96
# Bins averaged for the level that is carried on beyond the usable band.
LAST_BINS = 5


def sliding_octaves(low_hz: float, high_hz: float) -> tuple[Array, Array]:
    """Lower and upper edges of octaves that slide through a band, each ``(n,)``."""
    n = int(np.floor(np.log2(high_hz / low_hz / 2) * OCTAVE_STEPS + 1e-9)) + 1
    low = low_hz * 2 ** (np.arange(max(n, 1)) / OCTAVE_STEPS)
    return low, 2 * low


@dataclass(frozen=True)
class RideSetting:
    """The car, the road and the road speeds at which a wake is rated."""

    vehicle: Vehicle
    road: Road
    full_scale: FullScale
    speeds_m_s: Array  # (n_speeds,)

    @cached_property
    def ride(self) -> RideModel:
        """The car's heave-pitch model."""
        return RideModel.from_vehicle(self.vehicle)

    @cached_property
    def load_scale(self) -> Array:
        """Loads per coefficient of `RIDE_INPUTS`, ``(n_speeds, 3)``, N, N and N m."""
        q = np.asarray(self.full_scale.dynamic_pressure_pa(self.speeds_m_s))
        arms = np.array([1.0, 1.0, self.full_scale.wheelbase_m])
        return np.asarray(q[:, None] * self.full_scale.area_m2 * arms)

    def seat_rows(self, frequency_hz: Array) -> Complex:
        """Wk-weighted seat acceleration per coefficient, at road frequencies ``(n_speeds, n)``."""

        def weighted(flat: Array) -> Complex:
            weight = weighting("Wk", flat)[:, None]
            return np.asarray(self.ride.seat_acceleration_per_force(flat) * weight)

        return self._rows("seat", weighted, frequency_hz)

    def rear_load_rows(self, frequency_hz: Array) -> Complex:
        """Rear axle load over its static value in percent, per coefficient."""
        percent = 100 / self.ride.static_axle_load_n[1]

        def relative(flat: Array) -> Complex:
            return np.asarray(self.ride.axle_load_per_force(flat, "rear") * percent)

        return self._rows("rear load", relative, frequency_hz)

    def _rows(
        self, name: str, response: Callable[[Array], Complex], frequency_hz: Array
    ) -> Complex:
        """Response times the loads; kept, since repeats and zeros share their frequencies."""
        key = (name, frequency_hz.shape, frequency_hz.tobytes())
        if key not in self._known:
            rows = response(frequency_hz.ravel()).reshape(*frequency_hz.shape, 3)
            self._known[key] = np.asarray(rows * self.load_scale[:, None, :])
        return self._known[key]

    @cached_property
    def _known(self) -> dict[tuple[str, tuple[int, ...], bytes], Complex]:
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
        n = int(np.ceil((edges[1] - edges[0]) * ROAD_POINTS)) + 1
        grid = np.geomspace(low_hz.min(), high_hz.max(), n)
        weight = np.abs(weighting("Wk", grid)) ** 2
        result = []
        for speed in self.speeds_m_s:
            density = weight * seat_acceleration_psd(
                self.ride, grid, float(speed), self.road, track_m=road_track_m(self.vehicle)
            )
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
    inputs: tuple[str, ...] = RIDE_INPUTS  # those that every run of the configuration measured

    def variances(self, rows: Callable[[Array], Complex], low_hz: Array, high_hz: Array) -> Array:
        """Bootstrap samples of this run's share, ``(1 + n_resamples, n_speeds, n_bands)``."""
        return self.run.samples(
            lambda spectra: self._functional(spectra, rows, low_hz, high_hz), self.run.vertical
        )

    def _functional(
        self,
        spectra: ReducedSpectra,
        rows: Callable[[Array], Complex],
        low_hz: Array,
        high_hz: Array,
    ) -> Array:
        ratio = frequency_ratio(self.run, self.setting.speeds_m_s)
        road_hz = spectra.frequency_hz * ratio[:, None]
        step_hz = spectra.frequency_step_hz * ratio
        shares = bin_shares(road_hz, step_hz, low_hz, high_hz)
        shares = shares * self.band.share(self.position, road_hz)[:, None, :]
        return spectra.functional(self._onto(spectra, rows(road_hz)), shares)

    def carried_on(
        self, rows: Callable[[Array], Complex], edges_hz: tuple[Array, Array], until_hz: float
    ) -> Array:
        """Variance that the last level, carried on flat, would add, ``(n_speeds, n_bands)``.

        From the run's own upper end to `until_hz`, the noise taken out.
        """
        ratio = frequency_ratio(self.run, self.setting.speeds_m_s)
        top_hz = self.band.high_hz[self.position]
        level = self._last_level(top_hz[0] / ratio[0]) / ratio[:, None, None]
        until = np.maximum(until_hz, top_hz * (1 + 1e-9))
        grid = np.linspace(top_hz, until, 200, axis=1)
        row = self._onto(self.run.signal, rows(grid))
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

    def _onto(self, spectra: ReducedSpectra, rows: Complex) -> Complex:
        """The ride's inputs placed on the components that were measured."""
        placed = np.zeros((*rows.shape[:-1], len(spectra.components)), complex)
        for word in self.inputs:
            column = spectra.components.index(word)
            placed[..., column] = rows[..., RIDE_INPUTS.index(word)]
        return placed
