"""How far the largest second of a wake's shaking exceeds that of a steady random wake."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.perception import largest_running_rms, running_rms
from buffet.perception.largest_running import DRIVING_TIME_S
from buffet.perception.vibration import RUNNING_S
from buffet.rating.criteria import Criterion
from buffet.rating.metric_curve import MetricCurve
from buffet.rating.motion_metrics import motion_curve
from buffet.rating.pool import MOTION_OF, Pool
from buffet.rating.seat_history import SeatHistory
from buffet.rating.state_change import NO_COPY
from buffet.spectral.uncertainty import FEWEST_BLOCKS, Unseen, run_seed
from buffet.spectral.window import hann

Array = NDArray[np.float64]

# Road seconds of a block whose largest second counts; and of the segments of a history's PSD.
BLOCK_S = 10.0
SEGMENT_S = 8.0
# Road speeds at which it is worked out: over speed it changes slowly.
SPEEDS = 4
RESAMPLES = 400
BURSTS = "bursts"
TOO_SHORT = f"the records hold fewer than {FEWEST_BLOCKS:g} times {BLOCK_S:g} s of road time"


@dataclass(frozen=True)
class Burstiness:
    """Mean square of the largest second, over a steady Gaussian wake's of the same spectrum."""

    speeds_m_s: Array  # (n_tried,)
    log_ratio: Array  # (n_tried,)
    variance: Array  # (n_tried,), of `log_ratio`

    def at(self, speeds_m_s: Array) -> tuple[Array, Array]:
        """Logarithm of the ratio and its variance, straight between logarithms of the speed."""
        where = np.log(speeds_m_s), np.log(self.speeds_m_s)
        return np.interp(*where, self.log_ratio), np.interp(*where, self.variance)


def burst_curve(pool: Pool, row: Criterion) -> MetricCurve:
    """The worst octave over the road's, times how much the wake's largest second exceeds its own.

    A road's unevenness is taken as Gaussian; so is a steady wake, for which this is the worst
    octave itself. In wind the runs of all yaw angles tell together how bursty it is.
    """
    curve = motion_curve(pool, row)
    if curve.estimate is None:
        return curve
    if any(run.copy is None for run in pool.runs):
        return replace(curve, estimate=None, why_missing=NO_COPY)
    found = burstiness(pool, row)
    if found is None:
        return replace(curve, estimate=None, why_missing=TOO_SHORT)
    log_ratio, variance = found.at(pool.setting.speeds_m_s)
    unseen = (*curve.unseen, Unseen(variance, source=BURSTS))
    motion = pool.motion(MOTION_OF[row.metric])
    samples = motion.over_road(row.band_hz).samples * np.exp(log_ratio)
    return replace(curve, estimate=motion.estimate(samples, unseen), unseen=unseen)


def burstiness(pool: Pool, row: Criterion) -> Burstiness | None:
    """Of the runs of a configuration together; None where no road speed has enough blocks."""
    name = MOTION_OF[row.metric]
    tried_m_s = pool.setting.tried_m_s(SPEEDS)
    runs = [run.run.number for run in pool.runs]
    told = []
    histories = pool.histories(name, row.band_hz, tried_m_s)
    for speed_m_s, of_runs in zip(tried_m_s.tolist(), histories, strict=True):
        # Its own at each speed, so that none hangs on the others that are asked for.
        rng = run_seed("bursts", *runs, f"{speed_m_s:.6g}")
        one = log_ratio(of_runs, rng)
        if one is not None:
            told.append((speed_m_s, *one))
    if not told:
        return None
    return Burstiness(*(np.array(column) for column in zip(*told, strict=True)))


def log_ratio(histories: list[SeatHistory], rng: np.random.Generator) -> tuple[float, float] | None:
    """Logarithm of the ratio and its variance; None where there are too few blocks."""
    largest, mean, spread = [], [], []
    for history in histories:
        own = _largest_seconds(history)
        if not len(own):
            continue
        largest.append(own)
        expected, scatter = _of_gaussian(history)
        mean.append(np.full(len(own), expected))
        spread.append(np.full(len(own), scatter))
    values = np.concatenate([np.empty(0), *largest])
    if len(values) < FEWEST_BLOCKS:
        return None
    steady = _in_driving_time(np.mean(np.concatenate(mean)), np.mean(np.concatenate(spread)))
    drawn = values[rng.integers(0, len(values), (RESAMPLES, len(values)))]
    resampled = _in_driving_time(drawn.mean(axis=1), drawn.std(axis=1, ddof=1))
    found = _in_driving_time(values.mean(), values.std(ddof=1))
    return float(np.log(found / steady)), float(np.log(resampled).var(ddof=1))


def _in_driving_time(mean: Array | float, spread: Array | float) -> Array:
    """Expected largest in the driving time of blocks' largest values, as of Gumbel's distribution.

    Its standard deviation is π / √6 times its scale, and its mean grows by the scale times the
    logarithm of the number of blocks (Gumbel 1958, Statistics of Extremes, from memory). A running
    mean square has an exponential tail, which it fits; both sides of the ratio are carried alike.
    """
    growth = np.sqrt(6) / np.pi * np.log(DRIVING_TIME_S / BLOCK_S)
    return np.asarray(mean + growth * spread)


def _largest_seconds(history: SeatHistory) -> Array:
    """Largest running mean square of each block, over the record's mean square, ``(n_blocks,)``."""
    if history.duration_s < BLOCK_S + RUNNING_S or not history.values.any():
        return np.empty(0)
    squares = running_rms(history.values, history.rate_hz) ** 2
    length = round(BLOCK_S * history.rate_hz)
    n = len(squares) // length
    blocks = squares[: n * length].reshape(n, length).max(axis=1)
    return np.asarray(blocks / np.mean(history.values**2))


def _of_gaussian(history: SeatHistory) -> tuple[float, float]:
    """Mean and standard deviation of the same value in steady Gaussian shaking of the same PSD."""
    frequency_hz, psd = _psd(history)
    steady = largest_running_rms(frequency_hz, psd, BLOCK_S)
    squares = (steady.levels_m_s2 / steady.rms_m_s2) ** 2
    above = 1 - steady.not_exceeded
    mean = float(np.trapezoid(above, squares))
    second = float(np.trapezoid(2 * squares * above, squares))
    return mean, float(np.sqrt(max(second - mean**2, 0.0)))


def _psd(history: SeatHistory) -> tuple[Array, Array]:
    """Welch's, of Hann segments that overlap by half; its scale does not matter here."""
    length = round(SEGMENT_S * history.rate_hz) // 2 * 2
    cuts = np.lib.stride_tricks.sliding_window_view(history.values, length)[:: length // 2]
    psd = np.mean(np.abs(np.fft.rfft(cuts * hann(length), axis=1)) ** 2, axis=0)
    frequency_hz = np.arange(len(psd)) * np.float64(history.rate_hz / length)
    return frequency_hz, np.asarray(psd)
