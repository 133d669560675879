"""Records as few averages, near to independent within a state, and surrogates of them.

Shedding and broadband fluctuation are averaged out, the states are kept: what is left within a
state is then nearly white and nearly Gaussian, which a hidden Markov model takes for granted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.switching.hidden_markov import TwoStateModels, fit_two_states, posterior

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Averages of a record, tried from few to many: each step halves their spacing. Fewer than 64 tell
# no two states, and beyond 4096 fitting takes too long (engineering judgement).
FEWEST = 64
MOST = 4096
# Correlation that the weights leave between neighbouring averages of white noise: they are
# Gaussian with a standard deviation s of the spacing w, and exp(-w²/(4 s²)) = 0.1. Wider weights
# tie neighbours together; narrower ones let through what sheds within two spacings.
NEIGHBOURS = 0.1
WEIGHT_WIDTH = 0.5 / np.sqrt(-np.log(NEIGHBOURS))  # s / w
# Bins beyond this many a spacing hold less than 1 part in 4000 of their amplitude.
BINS_PER_AVERAGE = 2
# Correlations of what the states leave, at one to three averages apart, that pass for none:
# half as much again as the weights make by themselves, and one standard error.
PASSES_FOR_NONE = 0.15
LAGS = (1, 2, 3)
SEARCH_ITERATIONS = 25
# A state must be held for this many averages on average, and for this share of the time: what is
# shorter or rarer is an event, and few averages lie far apart by chance (engineering judgement).
LEAST_AVERAGES_HELD = 3
LEAST_SHARE = 0.05
# Of the largest distance of the levels: the fewest averages that reach it are tested, since
# testing takes as long as there are averages.
CLEAR_ENOUGH = 0.9


@dataclass(frozen=True)
class Averaged:
    """One record's averages; the record counts as a circle, so its two ends touch."""

    duration_s: float
    n_averages: int
    bins: Complex  # (2 n_averages + 1,), transform of the averages before they are thinned

    @property
    def spacing_s(self) -> float:
        """From one average to the next; the weights' half-height width is 0.78 of it."""
        return self.duration_s / self.n_averages

    @property
    def samples(self) -> Array:
        """The averages, ``(n_averages,)``; the first stands at the record's first sample."""
        return _thinned(self.bins, self.n_averages)

    def surrogates(self, n: int, rng: np.random.Generator) -> Array:
        """Gaussian records of the same spectrum and no mean, ``(n, n_averages)``.

        Each bin keeps its size and takes a phase drawn at random (Theiler et al. 1992, Physica D
        58, 77-94), so all have the variance that the averages have.
        """
        angle = rng.uniform(0, 2 * np.pi, (n, len(self.bins)))
        bins = np.abs(self.bins) * np.exp(1j * angle)
        bins[:, 0] = 0
        return _thinned(bins, self.n_averages)

    @property
    def spread(self) -> float:
        """Standard deviation of the averages before they are thinned."""
        length = 2 * BINS_PER_AVERAGE * self.n_averages
        return float(np.sqrt(2 * np.sum(np.abs(self.bins[1:]) ** 2)) / length)


def _thinned(bins: Complex, n_averages: int) -> Array:
    finer = 2 * BINS_PER_AVERAGE
    return np.asarray(np.fft.irfft(bins, finer * n_averages, axis=-1)[..., ::finer])


@dataclass(frozen=True)
class Transformed:
    """A record's Fourier transform, from which averages over any time are made."""

    duration_s: float
    n_samples: int
    bins: Complex  # (n_samples // 2 + 1,)

    @classmethod
    def of(cls, samples: Array, rate_hz: float) -> Transformed:
        """Of one record, ``(n_samples,)``."""
        from scipy.fft import rfft

        return cls(len(samples) / rate_hz, len(samples), rfft(samples))

    def averaged(self, n_averages: int) -> Averaged:
        """As this many averages; at most a quarter as many as there are samples."""
        place = np.arange(BINS_PER_AVERAGE * n_averages + 1)
        turn = 2 * np.pi * place / n_averages  # of each bin from one average to the next
        weight = np.exp(-0.5 * (turn * WEIGHT_WIDTH) ** 2)
        finer = 2 * BINS_PER_AVERAGE * n_averages / self.n_samples
        return Averaged(self.duration_s, n_averages, self.bins[: len(place)] * weight * finer)


def numbers_of_averages(n_samples: int, duration_s: float, shortest_s: float = 0.0) -> list[int]:
    """How many averages to try, few to many; none where the record is too short.

    Parameters
    ----------
    shortest_s : spacing below which the record holds nothing
    """
    numbers = []
    n = FEWEST
    while n <= min(MOST, n_samples // (2 * BINS_PER_AVERAGE)) and duration_s / n >= shortest_s:
        numbers.append(n)
        n *= 2
    return numbers


@dataclass(frozen=True)
class Fitted:
    """A record averaged over one time, with a first model of two states."""

    averaged: Averaged
    models: TwoStateModels  # of one record
    upper: NDArray[np.bool_]  # (n_averages,), which state is the likelier at each
    correlation: Array  # of what the states leave, at LAGS

    @property
    def is_independent(self) -> bool:
        """Whether that passes for none."""
        limit = PASSES_FOR_NONE + 1 / np.sqrt(self.averaged.n_averages)
        return bool(self.largest_correlation < limit)

    @property
    def largest_correlation(self) -> float:
        """Of either sign."""
        return float(np.abs(self.correlation).max())

    @property
    def separation(self) -> float:
        """Distance of the levels in standard deviations within a state."""
        return float(held_separation(self.models)[0])


@dataclass(frozen=True)
class Chosen:
    """A record at the averages that serve it best."""

    clearest: Fitted  # where the levels lie furthest apart: to tell whether there are two
    finest: Fitted  # where the fewest changes are hidden: to follow them


def choose_averaging(records: list[Transformed], numbers: list[int]) -> list[Chosen]:
    """For each record the averages that are uncorrelated once the states are out.

    Not the switching is to be averaged out but what goes on within a state, so the correlation is
    looked at after the states of a fitted model are subtracted. Where none passes, as in red noise
    without states, the least correlated are taken.

    Parameters
    ----------
    records : all of one length, none of them constant
    numbers : of averages to try, few to many, at least one
    """
    tried = [_fitted(records, n) for n in numbers]
    return [_best([fits[i] for fits in tried]) for i in range(len(records))]


def _fitted(records: list[Transformed], n_averages: int) -> list[Fitted]:
    averaged = [record.averaged(n_averages) for record in records]
    samples = np.array([one.samples for one in averaged])
    samples -= samples.mean(axis=1, keepdims=True)
    models = fit_two_states(samples, starts=(0.5,), iterations=SEARCH_ITERATIONS)
    upper = posterior(samples, models).upper
    correlation = within_states(samples, upper, models.mean)
    return [
        Fitted(one, models.of(slice(i, i + 1)), upper[i] > 0.5, correlation[i])
        for i, one in enumerate(averaged)
    ]


def _best(fits: list[Fitted]) -> Chosen:
    independent = [fit for fit in fits if fit.is_independent]
    if not independent:
        least = min(fits, key=lambda fit: fit.largest_correlation)
        return Chosen(least, least)
    enough = CLEAR_ENOUGH * max(fit.separation for fit in independent)
    clearest = next(fit for fit in independent if fit.separation >= enough)
    return Chosen(clearest, independent[-1])


def held_separation(models: TwoStateModels) -> Array:
    """Distance of the levels in standard deviations within a state, ``(n_records,)``.

    Zero where a state is not held: for LEAST_AVERAGES_HELD on average, or LEAST_SHARE of the time.
    """
    leaving = 1 - models.stay
    share = leaving[:, ::-1] / leaving.sum(axis=1, keepdims=True)
    held = (leaving * LEAST_AVERAGES_HELD <= 1) & (share >= LEAST_SHARE)
    return np.where(held.all(axis=1), models.separation, 0.0)


def within_states(samples: Array, upper: Array, mean: Array) -> Array:
    """Correlation at LAGS of what the states' levels leave, ``(n_records, 3)``.

    Parameters
    ----------
    samples, upper : (n_records, n_samples), and the chance of the second state
    mean : (n_records, 2)
    """
    left = samples - mean[:, :1] - upper * (mean[:, 1:] - mean[:, :1])
    power = np.mean(left**2, axis=1)
    parts = [np.mean(left[:, lag:] * left[:, :-lag], axis=1) for lag in LAGS]
    return np.asarray(np.stack(parts, axis=1) / power[:, None])
