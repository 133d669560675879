"""What the car makes of the wake: variances at the seat and under the rear axle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
from buffet.spectral.group_features import GroupFeatures
from buffet.spectral.reduction import COMPONENTS, ReducedSpectra
from buffet.spectral.uncertainty import Resampling
from buffet.vehicle import CarModel, CarRows, Road, road_seat_psds
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
# So many road speeds share the bins that one of them needs: of the lowest these are many.
SPEEDS_AT_ONCE = 16
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
    cars: tuple[Vehicle, ...] | None = None  # one a road speed, in place of the one vehicle

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

    def rows(self, motion: MotionName, frequency_hz: Array, speeds: slice = slice(None)) -> Complex:
        """A motion, weighted, per coefficient at road frequencies ``(n_speeds, n)`` or ``(n,)``.

        Shape ``(n_speeds, n, 6)``; zero where the car's data do not give it. The frequencies may be
        those of some of the road speeds alone.
        """
        words, rows = self.moved(motion, frequency_hz, speeds)
        every = np.zeros((*rows.shape[1:], len(COMPONENTS)), complex)
        every[..., [COMPONENTS.index(word) for word in words]] = np.moveaxis(rows, 0, -1)
        return every

    def moved(
        self, motion: MotionName, frequency_hz: Array, speeds: slice = slice(None)
    ) -> tuple[tuple[str, ...], Complex]:
        """The same of the components alone that a motion answers to, ``(n_words, n_speeds, n)``."""
        words, known = self._known_rows(motion)
        grid = self._response_hz
        below = np.clip(np.searchsorted(grid, frequency_hz, side="right") - 1, 0, len(grid) - 2)
        share = np.clip((frequency_hz - grid[below]) / np.diff(grid)[below], 0, 1)
        known = known[:, speeds]
        at = below + len(grid) * np.arange(known.shape[1])[:, None]
        flat = known.reshape(len(words), -1)
        rows = flat.take(at, axis=1)
        rows += share * (flat.take(at + 1, axis=1) - rows)
        name = MOTIONS[motion].weighting
        if name is not None:
            rows *= weighting(name, frequency_hz)
        return words, rows

    def moved_by(self, motion: MotionName) -> tuple[str, ...]:
        """Components that a motion answers to at any road speed and frequency."""
        return self._known_rows(motion)[0]

    @property
    def _response_hz(self) -> Array:
        return RESPONSE_HZ[:: self.coarser]

    def _known_rows(self, motion: MotionName) -> tuple[tuple[str, ...], Complex]:
        """Components, and the motion per coefficient of them at `_response_hz`, unweighted; kept.

        The latter ``(n_words, n_speeds, n)``.
        """
        if motion not in self._kept_rows:
            rows = np.zeros(
                (len(self.speeds_m_s), len(self._response_hz), len(COMPONENTS)), complex
            )
            for at, one in enumerate(self._responses(motion)):
                if one.rows is not None:
                    rows[at] = one.rows
            factors = np.empty(len(rows))
            for car, places in self._each_car:
                factors[places] = MOTIONS[motion].factor(car)
            rows *= (factors[:, None] * self.load_scale)[:, None, :]
            used = np.flatnonzero(rows.any(axis=(0, 1)))
            words = tuple(COMPONENTS[column] for column in used)
            first = np.moveaxis(rows[..., used], -1, 0)
            self._kept_rows[motion] = words, np.ascontiguousarray(first)
        return self._kept_rows[motion]

    @cached_property
    def _kept_rows(self) -> dict[MotionName, tuple[tuple[str, ...], Complex]]:
        return {}

    @cached_property
    def _each_car(self) -> list[tuple[CarModel, list[int]]]:
        """Each car with its road speeds, positions in `speeds_m_s`."""
        if self.cars is None:
            return [(self.car, list(range(len(self.speeds_m_s))))]
        places: dict[int, list[int]] = {}
        for place, car in enumerate(self.cars):
            places.setdefault(id(car), []).append(place)
        return [(CarModel.of(self.cars[own[0]]), own) for own in places.values()]

    def _responses(self, motion: MotionName) -> list[CarRows]:
        """One a road speed, at `_response_hz`; kept."""
        if motion not in self._known_responses:
            found: dict[int, CarRows] = {}
            for car, at in self._each_car:
                own = car.responses(MOTIONS[motion].output, self._response_hz, self.speeds_m_s[at])
                found |= dict(zip(at, own, strict=True))
            self._known_responses[motion] = [found[at] for at in range(len(self.speeds_m_s))]
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
        result = np.empty((len(self.speeds_m_s), len(low_hz)))
        for car, places in self._each_car:
            psds = road_seat_psds(car, grid, self.speeds_m_s[places], self.road)
            for at, density in zip(places, weight * psds, strict=True):
                steps = np.diff(grid) * (density[1:] + density[:-1]) / 2
                integral = np.concatenate([[0.0], np.cumsum(steps)])
                low, high = (np.interp(edge, grid, integral) for edge in (low_hz, high_hz))
                result[at] = high - low
        return result


@dataclass(frozen=True)
class RunMotion:
    """One run carried to the road speeds: functionals for the bootstrap."""

    setting: RideSetting
    run: RunAnalysis
    position: int  # of the run in `band`
    band: RoadBand
    motion: MotionName
    inputs: tuple[str, ...]  # components of it that every run of the configuration measured
    mirrored: bool = False  # it stands for the wind from the other side

    @property
    def weights(self) -> Array:
        """Of `group_variances` in each resample, ``(1 + n_resamples, n_groups)``.

        The mean of the wind-off runs is taken out, so that their groups' are below zero.
        """
        off = [-floor.resampling.weights / len(self.run.noise) for floor in self.run.noise]
        return np.concatenate([self.resampling.weights, *off], axis=1)

    def variances(self, low_hz: Array, high_hz: Array) -> Array:
        """Bootstrap samples of this run's share, ``(1 + n_resamples, n_speeds, n_bands)``."""
        return np.tensordot(self.weights, self.group_variances(low_hz, high_hz), axes=1)

    def group_variances(self, low_hz: Array, high_hz: Array) -> Array:
        """In bands ``(n_bands,)`` of road hertz, ``(n_groups, n_speeds, n_bands)``.

        Of the segment groups of the run itself, then of each of its wind-off runs.
        """
        every = (self.run.signal, *(floor.spectra for floor in self.run.noise))
        alike = all(_same_bins(one, every[0]) for one in every)
        batches = (every,) if alike else tuple((one,) for one in every)
        return np.concatenate([self._group_variances(own, low_hz, high_hz) for own in batches])

    @property
    def resampling(self) -> Resampling:
        """Of the motion's family."""
        return self.run.resamplings[MOTIONS[self.motion].family]

    def usable_hz(self, word: str) -> float:
        """Upper end of one component's own band, on the model."""
        index = self.run.signal.measured(word)
        return 0.0 if index is None else float(self.run.signal.usable_hz[index])

    def _group_variances(
        self, alike: Sequence[ReducedSpectra], low_hz: Array, high_hz: Array
    ) -> Array:
        """Of spectra with the same bins, some road speeds at once and only the bins they need."""
        ratio = frequency_ratio(self.run, self.setting.speeds_m_s)
        road_hz = alike[0].frequency_hz * ratio[:, None]
        step_hz = alike[0].frequency_step_hz * ratio
        share = self.band.share(self.position, road_hz)
        half = step_hz[:, None] / 2
        counts = (share > 0) & (road_hz + half > low_hz.min()) & (road_hz - half < high_hz.max())
        last = int(np.flatnonzero(counts.any(axis=0)).max(initial=-1)) + 1
        places = [alike[0].components.index(word) for word in self.words]
        groups = GroupFeatures.of(alike, places, last)
        found = np.zeros((len(groups.values), len(ratio), len(low_hz)))
        for start in range(0, len(ratio), SPEEDS_AT_ONCE):
            some = slice(start, start + SPEEDS_AT_ONCE)
            needed = np.flatnonzero(counts[some].any(axis=0))
            if not len(needed):
                continue
            bins = slice(int(needed[0]), int(needed[-1]) + 1)
            at = road_hz[some, bins]
            bands = bin_shares(at, step_hz[some], low_hz, high_hz) * share[some, None, bins]
            rows = self._rows(at, ratio[some], some)
            found[:, some] = groups.variances(rows, bands, bins.start)
        return found

    def carried_on(self, edges_hz: tuple[Array, Array], until_hz: float) -> Array:
        """Variance that the last level, carried on flat, would add, ``(n_speeds, n_bands)``.

        From the run's own upper end to `until_hz`, the noise taken out.
        """
        ratio = frequency_ratio(self.run, self.setting.speeds_m_s)
        top_hz = self.band.high_hz[self.position]
        level = self._last_level(top_hz[0] / ratio[0])
        level = level / ratio[:, None, None]
        until = np.maximum(until_hz, top_hz * (1 + 1e-9))
        grid = np.linspace(top_hz, until, 200, axis=1)
        row = self._rows(grid, None)
        density = np.einsum("ivf,vij,jvf->vf", row, level, np.conj(row)).real
        step_hz = grid[:, 1] - grid[:, 0]
        shares = bin_shares(grid, step_hz, *edges_hz) * (top_hz < until_hz)[:, None, None]
        added = np.einsum("vbf,vf->vb", shares, np.maximum(density, 0))
        return np.asarray(added * step_hz[:, None])

    def _last_level(self, top_hz: float) -> Complex:
        """Mean cross-spectral matrix of the last usable bins, noise taken out."""

        def last(spectra: ReducedSpectra) -> Complex:
            bins = np.flatnonzero(spectra.frequency_hz <= top_hz)[-LAST_BINS:]
            own = np.array([spectra.components.index(word) for word in self.words], dtype=np.intp)
            groups = spectra.group_matrix[:, bins][..., own[:, None], own].mean(axis=1)
            return np.average(groups, axis=0, weights=spectra.group_segments)

        level = last(self.run.signal)
        for floor in self.run.noise:
            level = level - last(floor.spectra) / len(self.run.noise)
        return np.asarray(level)

    @cached_property
    def words(self) -> tuple[str, ...]:
        """Those of `inputs` to which the motion answers at all: what takes no part costs nothing"""
        return tuple(word for word in self.setting.moved_by(self.motion) if word in self.inputs)

    def _rows(self, road_hz: Array, ratio: Array | None, speeds: slice = slice(None)) -> Complex:
        """What multiplies each of `words`, ``(n_words, n_speeds, n)``.

        What only adds to the motion does so up to the end of its own band, which is known where
        `ratio`, road frequency over model frequency, is given, and not at all beyond all bands.
        """
        words, rows = self.setting.moved(self.motion, road_hz, speeds)
        if words != self.words:
            rows = rows[[words.index(word) for word in self.words]]
        for place, word in enumerate(self.words):
            if word in MOTIONS[self.motion].more:
                end_hz = 0.0 if ratio is None else self.usable_hz(word) * ratio[:, None]
                rows[place] *= road_hz <= end_hz
            if self.mirrored and word in SIDEWAYS:
                rows[place] *= -1
        return rows


def _same_bins(spectra: ReducedSpectra, other: ReducedSpectra) -> bool:
    return spectra.components == other.components and np.array_equal(
        spectra.frequency_hz, other.frequency_hz
    )
