"""The runs of a configuration together: motions of the car, carried to road speeds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from buffet.rating.calibration import calibration_unseen, uncertain_channels, with_gains
from buffet.rating.car_spread import CAR, DrawnCars, averaged, tried_setting
from buffet.rating.criteria import Criterion, Metric
from buffet.rating.motions import MOTIONS, Family, MotionName
from buffet.rating.ride_metrics import RideSetting, RunMotion, sliding_octaves
from buffet.rating.seat_history import SeatHistory, seat_histories
from buffet.rating.yaw_mix import YawMix, yaw_mix
from buffet.road_speed import RoadBand
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import LogEstimate, Unseen, half_value, log_estimate
from buffet.switching.force_states import ConfigurationStates
from buffet.usable_band import NEEDED_FROM_HZ, NEEDED_HZ

Array = NDArray[np.float64]

# A vertical criterion is covered from 1 to 8 Hz at least, and if carrying the last level on flat
# to the top of its band changes the metric by less than this share (engineering judgement).
VERTICAL_NEEDS_HZ = (NEEDED_FROM_HZ, NEEDED_HZ)
CARRIED_ON_SHARE = 0.2
OVER_ROAD: tuple[Metric, ...] = ("seat-over-road", "seat-burst-over-road")
# Band in which what each yaw angle adds to a motion is told, road hertz: all criteria's.
COUNTED_HZ = (0.5, 20.0)
# Samples of octaves held at once, of which the largest in each resample are kept: 16 MB.
MOST_AT_ONCE = 2_000_000
MOTION_OF: dict[Metric, MotionName] = {
    "seat-over-road": "seat z",
    "seat-burst-over-road": "seat z",
    "seat-weighted": "seat z",
    "seat-lateral": "seat y",
    "yaw-rate": "yaw rate",
    "rear-axle-load": "rear load",
    "seat-after-state-change": "seat z",
}


def without(word: str, runs: Sequence[RunAnalysis]) -> list[str]:
    """Numbers of the runs that do not tell a component's fluctuation."""
    return [
        run.run.number
        for run in runs
        if word not in run.signal.components or run.fluctuation(word) is None
    ]


@dataclass
class Pool:
    """The runs of a configuration together."""

    runs: tuple[RunAnalysis, ...]
    setting: RideSetting
    told: tuple[str, ...]  # components that every run measured
    unseen: Mapping[Family, Sequence[Unseen]]
    drawn: DrawnCars | None = None
    states: ConfigurationStates | None = None  # of the wake; None where no samples were kept
    motions: dict[MotionName, Pooled] = field(default_factory=dict)
    others: dict[int, Pool] = field(default_factory=dict)  # by part, in all drawn cars
    # By road speed and band, one a run.
    known_histories: dict[tuple[MotionName, float, tuple[float, float]], list[SeatHistory]] = field(
        default_factory=dict
    )
    calibrated: dict[int, list[Pool]] = field(default_factory=dict)  # by part, one a gain raised

    @cached_property
    def mix(self) -> YawMix:
        """The runs as the wind mixes them."""
        return yaw_mix(self.runs, self.setting.wind, self.setting.speeds_m_s)

    def motion(self, name: MotionName) -> Pooled:
        """One motion of all runs; kept, since criteria share it."""
        if name not in self.motions:
            kind = MOTIONS[name]
            ends = tuple(word for word in kind.uses if word in self.told) or kind.uses
            mixed, speeds = self.mix.parts, self.setting.speeds_m_s
            band = RoadBand.of(
                [part.run for part in mixed],
                ends,
                speeds,
                [part.knot for part in mixed],
                self.mix.weights,
            )
            words = tuple(word for word in (*kind.uses, *kind.more) if word in self.told)
            parts = tuple(
                RunMotion(self.setting, part.run, i, band, name, words, part.mirrored)
                for i, part in enumerate(mixed)
            )
            self.motions[name] = Pooled(parts, self.setting, band, self.mix)
        return self.motions[name]

    def why_not(self, name: MotionName) -> str | None:
        """Why a motion is not told; None where it is."""
        lacking = [word for word in MOTIONS[name].needs if word not in self.told]
        if lacking:
            lost = ", ".join(dict.fromkeys(n for w in lacking for n in without(w, self.runs)))
            were = "were" if len(lacking) > 1 else "was"
            return (
                f"{' and '.join(lacking)} {were} not measured, or a channel behind "
                f"{'them' if len(lacking) > 1 else 'it'} never changed, in run {lost}"
            )
        return self.setting.why_not(name)

    def histories(
        self, name: MotionName, band_hz: tuple[float, float], speeds_m_s: Array
    ) -> list[list[SeatHistory]]:
        """A motion over road time, by road speed a list of one a run; kept, criteria share them.

        Raises
        ------
        ValueError
            A run holds no copy of its samples.
        """
        speeds = [float(speed) for speed in speeds_m_s]
        lacking = [one for one in speeds if (name, one, band_hz) not in self.known_histories]
        if lacking:
            tried = replace(self.setting, speeds_m_s=np.array(lacking))
            words = self.motion(name).words
            runs = [seat_histories(run, tried, name, words, band_hz) for run in self.runs]
            for one, *own in zip(lacking, *runs, strict=True):
                self.known_histories[name, one, band_hz] = own
        return [self.known_histories[name, one, band_hz] for one in speeds]

    def band(
        self, name: MotionName, band_hz: tuple[float, float], *, with_car: bool = True
    ) -> LogEstimate:
        """Root mean square of a motion in a band, with what is not known of the car or without."""
        motion = self.motion(name)
        own = self.unseen[MOTIONS[name].family]
        unseen = self.unseen_of(name, band_hz) if with_car else own
        return motion.estimate(motion.band(band_hz).samples, unseen)

    def unseen_of(
        self, name: MotionName, band_hz: tuple[float, float], *, over_road: bool = False
    ) -> tuple[Unseen, ...]:
        """What resampling does not see of a motion in a band, or of its worst octave there."""
        own = self.unseen[MOTIONS[name].family]
        car = Unseen(0.0, source=CAR)
        if self.drawn is not None:
            (squares,) = _squares([self._in_other_cars(name, self.drawn)], name, band_hz, over_road)
            car = self.drawn.unseen(squares, self.setting.speeds_m_s)
        return (*own, car, *self.calibration_of(name, band_hz, over_road=over_road))

    def calibration_of(
        self, name: MotionName, band_hz: tuple[float, float], *, over_road: bool = False
    ) -> tuple[Unseen, ...]:
        """That part of it alone; none where no uncertainty is stated."""
        tried, motion = tried_setting(self.setting), self.motion(name)
        part = motion.furthest(motion.heaviest)
        run = motion.parts[part].run
        raised = _squares(self._with_other_gains(part, run, tried), name, band_hz, over_road)
        return calibration_unseen(run, raised, tried.speeds_m_s, self.setting.speeds_m_s)

    def _with_other_gains(self, part: int, run: RunAnalysis, setting: RideSetting) -> list[Pool]:
        """As read, then with each uncertain gain raised; none where none is uncertain. Kept."""
        if part not in self.calibrated:
            uncertain = uncertain_channels(run)
            channels = (None, *uncertain) if uncertain else ()
            self.calibrated[part] = [
                Pool((with_gains(run, channel),), setting, self.told, {}) for channel in channels
            ]
        return self.calibrated[part]

    def _in_other_cars(self, name: MotionName, drawn: DrawnCars) -> Pool:
        """By the mean spectrum of the run that reaches highest; all are changed alike. Kept."""
        motion = self.motion(name)
        furthest = motion.furthest(motion.heaviest)
        if furthest not in self.others:
            alone = (averaged(motion.parts[furthest].run),)
            self.others[furthest] = Pool(alone, drawn.setting, self.told, {})
        return self.others[furthest]


def _squares(
    pools: Sequence[Pool], name: MotionName, band_hz: tuple[float, float], over_road: bool
) -> list[Array]:
    """A motion's mean square in each, ``(n_speeds,)``; 0 where the car does not tell it."""
    return [
        pool.motion(name).measured(band_hz, over_road=over_road).samples[0]
        * pool.setting.answers(name)
        for pool in pools
    ]


@dataclass(frozen=True)
class Measured:
    """Bootstrap samples of a mean square, as far as the runs reach."""

    samples: Array  # (1 + n_resamples, n_speeds)
    # To (n_speeds,): relative, of its root if the last level were carried on. Cars that are only
    # held against each other never ask for it.
    growth: Callable[[], Array]
    octave_hz: Array | None = None  # (n_speeds, 2), the worst


@dataclass
class Pooled:
    """One motion of the runs of a configuration together."""

    parts: tuple[RunMotion, ...]
    setting: RideSetting
    band_hz: RoadBand
    mix: YawMix
    # By band, of the motion itself and of its worst octave: criteria share them.
    known: dict[tuple[float, float], Measured] = field(default_factory=dict)
    known_octaves: dict[tuple[float, float], Measured] = field(default_factory=dict)

    @property
    def words(self) -> tuple[str, ...]:
        """Components that it is made of."""
        return self.parts[0].inputs

    @cached_property
    def blocks(self) -> float:
        """Independent blocks of record, all runs together.

        Of several yaw angles they count by what each adds to the variance, as degrees of freedom
        do (Satterthwaite 1946, Biometrics Bulletin 2, 110-114), at the road speed, of those which
        the angles cover, where they are fewest.
        """
        sources = self.mix.sources
        own = {k: self._members(k) for k, source in enumerate(sources) if k == source}
        blocks = np.array([sum(p.resampling.blocks for p in parts) for parts in own.values()])
        if len(own) == 1:
            return float(blocks[0])
        low, high = (np.array([edge]) for edge in COUNTED_HZ)
        added = np.zeros((len(own), len(self.setting.speeds_m_s)))
        for k, source in enumerate(sources):
            for part in self._members(k):
                groups = part.group_variances(low, high)[..., 0]
                added[list(own).index(source)] += part.weights[0] @ groups
        return _fewest_blocks(np.maximum(added, 0), blocks, self.mix.covered)

    @property
    def heaviest(self) -> int:
        """The yaw angle, of `mix.yaw_rad`, that counts most over all road speeds."""
        weights = self.mix.weights
        return int(np.argmax((weights / weights.sum(axis=0)).sum(axis=1)))

    def furthest(self, knot: int) -> int:
        """The part that reaches highest of those at a yaw angle."""
        members = self.band_hz.members(knot)
        return members[int(np.argmax(self.band_hz.high_hz[members, 0]))]

    def _members(self, knot: int) -> list[RunMotion]:
        return [self.parts[position] for position in self.band_hz.members(knot)]

    def measured(self, band_hz: tuple[float, float], *, over_road: bool) -> Measured:
        """The square of the motion in a band, or of its worst octave over the road's."""
        return self.over_road(band_hz) if over_road else self.band(band_hz)

    def band(self, band_hz: tuple[float, float]) -> Measured:
        """Mean square in a band; kept."""
        if band_hz not in self.known:
            groups = self._groups(np.array([band_hz[0]]), np.array([band_hz[1]]))
            self.known[band_hz] = self._band(band_hz, groups[..., 0])
        return self.known[band_hz]

    def _band(self, band_hz: tuple[float, float], groups: Array) -> Measured:
        """From the variance of each group of all runs, ``(n_groups, n_speeds)``."""
        edges = (np.array([band_hz[0]]), np.array([band_hz[1]]))
        samples = self._weights @ groups

        def growth() -> Array:
            return _growth(samples[0], self._carried_on(edges, band_hz[1])[:, 0])

        return Measured(samples, growth)

    def over_road(self, band_hz: tuple[float, float]) -> Measured:
        """Worst sliding octave over the road's; kept."""
        if band_hz not in self.known_octaves:
            self.known_octaves[band_hz] = self._over_road(band_hz)
        return self.known_octaves[band_hz]

    def _over_road(self, band_hz: tuple[float, float]) -> Measured:
        low, high = sliding_octaves(*band_hz)
        road = self.setting.road_octaves(low, high)
        # The band itself besides, since other criteria ask for it and it costs next to nothing.
        groups = self._groups(np.append(low, band_hz[0]), np.append(high, band_hz[1]))
        if band_hz not in self.known:
            self.known[band_hz] = self._band(band_hz, groups[..., -1])
        octaves = (groups[..., :-1] / road).transpose(0, 2, 1)  # (n_groups, n_octaves, n_speeds)
        measured = np.tensordot(self._weights[0], octaves, axes=1).T
        index = measured.argmax(axis=1)
        worst = self._largest(octaves)

        def growth() -> Array:
            added = self._carried_on((low, high), band_hz[1]) / road
            grown = (np.maximum(measured, 0) + added).max(axis=1)
            return _growth(measured.max(axis=1), grown - measured.max(axis=1))

        return Measured(worst, growth, np.stack([low[index], high[index]], axis=1))

    def estimate(self, variance_samples: Array, unseen: Sequence[Unseen]) -> LogEstimate:
        """Root mean square from bootstrap samples of its square."""
        return half_value(log_estimate(variance_samples, self.blocks, unseen))

    def covered(self, row: Criterion, growth: Array) -> NDArray[np.bool_]:
        """Whether the usable road band carries the criterion, at each speed."""
        low, high = self.band_hz.union_hz
        if row.coverage == "whole band":
            return np.asarray((low <= row.band_hz[0]) & (high >= row.band_hz[1]))
        spans = (low <= VERTICAL_NEEDS_HZ[0]) & (high >= VERTICAL_NEEDS_HZ[1])
        return np.asarray(spans & (growth < CARRIED_ON_SHARE))

    def _largest(self, groups: Array) -> Array:
        """Of bands in each resample, ``(1 + n_resamples, n_speeds)``; a few speeds at a time.

        Parameters
        ----------
        groups : (n_groups, n_bands, n_speeds)
        """
        n_groups, n_bands, n_speeds = groups.shape
        n = len(self._weights)
        largest = np.empty((n, n_speeds))
        at_once = max(1, MOST_AT_ONCE // (n * n_bands))
        for start in range(0, n_speeds, at_once):
            some = groups[..., start : start + at_once]
            samples = self._weights @ some.reshape(n_groups, -1)
            largest[:, start : start + at_once] = samples.reshape(n, n_bands, -1).max(axis=1)
        return largest

    @cached_property
    def _weights(self) -> Array:
        """Of the groups of all runs in each resample, ``(1 + n_resamples, n_groups)``."""
        return np.concatenate([part.weights for part in self.parts], axis=1)

    def _groups(self, low: Array, high: Array) -> Array:
        """Band variances of the groups of all runs, ``(n_groups, n_speeds, n_bands)``."""
        return np.concatenate([part.group_variances(low, high) for part in self.parts])

    def _carried_on(self, edges: tuple[Array, Array], until_hz: float) -> Array:
        """From each angle's run that reaches highest, since the others leave off below it."""
        weights = self.mix.weights
        added = [
            weight[:, None] * self.parts[self.furthest(knot)].carried_on(edges, until_hz)
            for knot, weight in enumerate(weights)
        ]
        return np.asarray(np.sum(added, axis=0))


def _fewest_blocks(added: Array, blocks: Array, counts: NDArray[np.bool_]) -> float:
    """Effective number of blocks behind weighted sums.

    Parameters
    ----------
    added : (n_angles, n_speeds), what each angle adds to the variance
    blocks : (n_angles,)
    counts : (n_speeds,), the road speeds looked at; all where none
    """
    errors = added**2 / blocks[:, None]  # of the sum, by angle, but for a common factor
    below = (errors**2 / blocks[:, None]).sum(axis=0)
    effective = errors.sum(axis=0) ** 2 / np.where(below > 0, below, np.inf)
    usable = (below > 0) & (counts if counts.any() else True)
    return float(effective[usable].min()) if usable.any() else float(blocks.min())


def _growth(variance: Array, added: Array) -> Array:
    """Relative change of an RMS when variance is added; none where there is nothing to carry on."""
    growth = np.sqrt(1 + added / np.where(variance > 0, variance, 1.0)) - 1
    return np.where((variance > 0) | (added <= 0), growth, np.inf)
