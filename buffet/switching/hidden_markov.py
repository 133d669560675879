"""A hidden Markov model of two states with Gaussian emissions, fitted to many records at once.

Rabiner, L. R., "A tutorial on hidden Markov models and selected applications in speech
recognition", Proc. IEEE 77 (1989), 257-286: forward and backward probabilities and Baum-Welch
re-estimation (sections III A and C), the most likely path after Viterbi (III B).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Shares of the samples in the lower state that a fit starts from: likelihoods have several maxima.
STARTS = (0.5, 0.2, 0.8)
# Probability of staying that it starts from: a visit of ten samples.
START_STAY = 0.9
ITERATIONS = 60
# Log-likelihood of a record that an iteration must still add, for going on.
TOLERANCE = 1e-3
# Least variance of a state over the record's: a state of one sample would have an unbounded
# likelihood (usual practice; the share is engineering judgement).
LEAST_VARIANCE = 1e-3
# Transition probabilities stay off 0 and 1, where re-estimation could not leave them.
LEAST_CHANCE = 1e-6
# Of the logarithm of a ratio of densities: beyond it a sample leaves no doubt.
MOST_LOG_RATIO = 600.0
# So few records are quicker one by one in plain numbers than step by step in arrays.
FEW_RECORDS = 8
PARAMETERS = ("mean", "variance", "start", "stay")


@dataclass(frozen=True)
class TwoStateModels:
    """One model a record; the lower mean is the first state."""

    mean: Array  # (n_records, 2)
    variance: Array  # (n_records, 2)
    start: Array  # (n_records, 2), chance of each state at the first sample
    stay: Array  # (n_records, 2), chance of staying from one sample to the next
    log_likelihood: Array  # (n_records,), of this model

    @property
    def separation(self) -> Array:
        """Distance of the means over the root of the mean variance, ``(n_records,)``."""
        distance = self.mean[:, 1] - self.mean[:, 0]
        return np.asarray(distance / np.sqrt(self.variance.mean(axis=1)))

    def of(self, records: slice | NDArray[np.int_] | NDArray[np.bool_]) -> TwoStateModels:
        """The models of some of the records."""
        return TwoStateModels(
            self.mean[records],
            self.variance[records],
            self.start[records],
            self.stay[records],
            self.log_likelihood[records],
        )


@dataclass(frozen=True)
class Posterior:
    """What a model says of the states behind its record."""

    log_likelihood: Array  # (n_records,)
    upper: Array  # (n_records, n_samples), chance of the second state at each sample
    stays: Array  # (n_records, 2), expected count of steps that stay in each state
    steps: Array  # (n_records, 2), expected count of steps from each state


def one_state_log_likelihood(samples: Array) -> Array:
    """Log-likelihood of independent Gaussian samples of one state, ``(n_records,)``.

    Parameters
    ----------
    samples : (n_records, n_samples)
    """
    n = samples.shape[1]
    return np.asarray(-0.5 * n * (np.log(2 * np.pi * samples.var(axis=1)) + 1))


def fit_two_states(
    samples: Array,
    starts: tuple[float, ...] = STARTS,
    iterations: int = ITERATIONS,
) -> TwoStateModels:
    """The likeliest model of each record, over several starts.

    Parameters
    ----------
    samples : (n_records, n_samples), none of them constant
    starts : shares of the samples in the lower state, each a start
    iterations : of expectation-maximisation, at most
    """
    best: TwoStateModels | None = None
    for share in starts:
        found = _ordered(_maximised(samples, _begun(samples, share), iterations))
        if best is None:
            best = found
            continue
        better = (found.log_likelihood > best.log_likelihood)[:, None]
        best = TwoStateModels(
            np.where(better, found.mean, best.mean),
            np.where(better, found.variance, best.variance),
            np.where(better, found.start, best.start),
            np.where(better, found.stay, best.stay),
            np.maximum(found.log_likelihood, best.log_likelihood),
        )
    assert best is not None
    return best


def _begun(samples: Array, share: float) -> TwoStateModels:
    """Each record split at a quantile."""
    n, length = samples.shape
    rank = np.clip(int(share * length), 2, length - 2)
    ordered = np.sort(samples, axis=1)
    parts = (ordered[:, :rank], ordered[:, rank:])
    floor = LEAST_VARIANCE * samples.var(axis=1)
    return TwoStateModels(
        np.stack([part.mean(axis=1) for part in parts], axis=1),
        np.stack([np.maximum(part.var(axis=1), floor) for part in parts], axis=1),
        np.full((n, 2), 0.5),
        np.full((n, 2), START_STAY),
        np.full(n, -np.inf),
    )


def _maximised(samples: Array, models: TwoStateModels, iterations: int) -> TwoStateModels:
    """Expectation-maximisation; records that no longer gain are left as they are."""
    floor = LEAST_VARIANCE * samples.var(axis=1)
    going = np.arange(len(samples))
    kept = replace(models, **{name: getattr(models, name).copy() for name in PARAMETERS})
    reached = models.log_likelihood.copy()
    for turn in range(iterations + 1):
        here = posterior(samples[going], models)
        gained = here.log_likelihood - reached[going]
        reached[going] = here.log_likelihood
        for name in PARAMETERS:
            getattr(kept, name)[going] = getattr(models, name)
        on = gained > TOLERANCE
        if turn == iterations or not on.any():
            break
        models = _re_estimated(samples[going], here, floor[going]).of(on)
        going = going[on]
    return replace(kept, log_likelihood=reached)


def _re_estimated(samples: Array, here: Posterior, floor: Array) -> TwoStateModels:
    """Rabiner's equations 40 and 52 to 54 for a scalar emission."""
    n = samples.shape[1]
    squared = samples**2
    upper = here.upper.sum(axis=1)
    above = np.einsum("ns,ns->n", here.upper, samples)
    above_squared = np.einsum("ns,ns->n", here.upper, squared)
    weight = np.maximum(np.stack([n - upper, upper], axis=1), LEAST_CHANCE)
    first = np.stack([samples.sum(axis=1) - above, above], axis=1) / weight
    second = np.stack([squared.sum(axis=1) - above_squared, above_squared], axis=1) / weight
    stay = here.stays / np.maximum(here.steps, LEAST_CHANCE)
    begun = here.upper[:, 0]
    return TwoStateModels(
        first,
        np.maximum(second - first**2, floor[:, None]),
        np.clip(np.stack([1 - begun, begun], axis=1), LEAST_CHANCE, 1 - LEAST_CHANCE),
        np.clip(stay, LEAST_CHANCE, 1 - LEAST_CHANCE),
        here.log_likelihood,
    )


def _ordered(models: TwoStateModels) -> TwoStateModels:
    """The lower mean first."""
    order = np.argsort(models.mean, axis=1)
    mean, variance, start, stay = (
        np.take_along_axis(part, order, axis=1)
        for part in (models.mean, models.variance, models.start, models.stay)
    )
    return replace(models, mean=mean, variance=variance, start=start, stay=stay)


def _log_emission(samples: Array, models: TwoStateModels, state: int) -> Array:
    """Log-density of each sample in one state, ``(n_records, n_samples)``."""
    mean, variance = models.mean[:, [state]], models.variance[:, [state]]
    return np.asarray(-0.5 * ((samples - mean) ** 2 / variance + np.log(2 * np.pi * variance)))


def posterior(samples: Array, models: TwoStateModels) -> Posterior:
    """Likelihood, chance of the second state at each sample, and expected steps.

    Of two states one chance tells all. Forward: the chance of the second state before a sample is
    q = (1 - a) + (a + b - 1) p, of the chance p after the one before it, and p follows from q by
    Bayes' rule with the ratio of the two densities. Backward: the chance of each state, given the
    one after it and all samples up to here, times the chance of that one, given all samples.

    Parameters
    ----------
    samples : (n_records, n_samples)
    models : of as many records
    """
    # Time first, so that what one step needs of all records stands together in memory.
    lower, higher = (np.ascontiguousarray(_log_emission(samples, models, k).T) for k in (0, 1))
    ratio = np.exp(np.clip(higher - lower, -MOST_LOG_RATIO, MOST_LOG_RATIO))
    before, after = _forward(ratio, models)
    beyond = np.where(ratio > 1, before + (1 - before) / ratio, 1 - before + before * ratio)
    likelihood = (np.maximum(lower, higher) + np.log(beyond)).sum(axis=0)
    stay = models.stay[:, 1]
    # Chance of the second state, given that the one after it is the second, and the first.
    if_upper = stay * after[:-1] / before[1:]
    if_lower = (1 - stay) * after[:-1] / (1 - before[1:])
    state = _backward(after[-1], if_upper, if_lower)
    up_up = (if_upper * state[1:]).sum(axis=0)
    up_down = (if_lower * (1 - state[1:])).sum(axis=0)
    down_up = ((1 - if_upper) * state[1:]).sum(axis=0)
    down_down = len(ratio) - 1 - up_up - up_down - down_up
    stays = np.stack([down_down, up_up], axis=1)
    steps = np.stack([down_down + down_up, up_up + up_down], axis=1)
    return Posterior(likelihood, np.ascontiguousarray(state.T), stays, steps)


def _forward(ratio: Array, models: TwoStateModels) -> tuple[Array, Array]:
    """Chance of the second state before and after each sample, each ``(n_samples, n_records)``."""
    first, second = models.stay.T
    base, slope = 1 - first, first + second - 1
    before, after = np.empty_like(ratio), np.empty_like(ratio)
    if ratio.shape[1] <= FEW_RECORDS:
        for i in range(ratio.shape[1]):
            known = float(models.start[i, 1]), float(base[i]), float(slope[i])
            before[:, i], after[:, i] = _forward_in_one(ratio[:, i].tolist(), *known)
        return before, after
    q = models.start[:, 1]
    for t, own in enumerate(ratio):
        before[t] = q
        odds = q * own
        p = np.divide(odds, odds + (1 - q), out=after[t])
        q = base + slope * p
    return before, after


def _forward_in_one(
    ratio: list[float], start: float, base: float, slope: float
) -> tuple[list[float], list[float]]:
    """The same of one record."""
    before, after = [], []
    q = start
    for own in ratio:
        before.append(q)
        odds = q * own
        p = odds / (odds + (1 - q))
        after.append(p)
        q = base + slope * p
    return before, after


def _backward(last: Array, if_upper: Array, if_lower: Array) -> Array:
    """Chance of the second state at each sample, given all, ``(n_samples, n_records)``."""
    slope = if_upper - if_lower
    state = np.empty((len(slope) + 1, len(last)))
    if len(last) <= FEW_RECORDS:
        for i, known in enumerate(last.tolist()):
            parts = slope[::-1, i].tolist(), if_lower[::-1, i].tolist()
            state[::-1, i] = _backward_in_one(known, *parts)
        return state
    now = state[-1] = last
    for t in range(len(slope) - 1, -1, -1):
        now = np.multiply(slope[t], now, out=state[t])
        now += if_lower[t]
    return state


def _backward_in_one(last: float, slope: list[float], if_lower: list[float]) -> list[float]:
    """The same of one record, all from its end on."""
    found = [last]
    for turn, base in zip(slope, if_lower, strict=True):
        last = turn * last + base
        found.append(last)
    return found


def likeliest_path(samples: Array, models: TwoStateModels) -> NDArray[np.int8]:
    """Viterbi's path, 0 or 1 at each sample, ``(n_records, n_samples)``.

    Parameters
    ----------
    samples : (n_records, n_samples)
    models : of as many records
    """
    log_emission = np.stack([_log_emission(samples, models, state) for state in (0, 1)])
    first, second = models.stay.T
    moves = np.log([[first, 1 - first], [1 - second, second]])
    n_records, length = samples.shape
    score = np.log(np.maximum(models.start.T, np.finfo(float).tiny)) + log_emission[:, :, 0]
    came_from = np.zeros((length, 2, n_records), dtype=np.int8)
    for t in range(1, length):
        ways = score[:, None] + moves
        came_from[t] = ways[1] > ways[0]
        score = ways.max(axis=0) + log_emission[:, :, t]
    path = np.empty((n_records, length), dtype=np.int8)
    path[:, -1] = score[1] > score[0]
    every = np.arange(n_records)
    for t in range(length - 1, 0, -1):
        path[:, t - 1] = came_from[t, path[:, t], every]
    return path
