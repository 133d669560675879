"""One state or two: by likelihood and by how far apart the two levels are.

Neither alone will do. Any slow record is likelier under two states than as independent samples, so
its likelihood ratio is judged by one-state records of the same spectrum. A skewed or bursty record
beats those too, so its levels must also lie further apart, in standard deviations within a state,
than a distribution with one hump lets them. Among these the flat one parts best, so records of the
same spectrum with a flat distribution set the limit, as the flat distribution does in Hartigan's
dip test (Hartigan & Hartigan 1985, Ann. Stat. 13, 70-84). This also refuses states that differ in
variance alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from buffet.switching.averaging import (
    Averaged,
    Chosen,
    Transformed,
    choose_averaging,
    held_separation,
    numbers_of_averages,
)
from buffet.switching.hidden_markov import (
    TwoStateModels,
    fit_two_states,
    one_state_log_likelihood,
)
from buffet.switching.visits import visits_of

Array = NDArray[np.float64]

# Chance of calling a run of one state one of two, over all its quantities.
LEVEL = 0.02
# One-state records against which a record is held, the first of them alone where it is plain that
# it does not stand out (after Besag & Clifford 1991, Biometrika 78, 301-304).
SURROGATES = 999
FIRST_SURROGATES = 49
PLAIN = 3  # of the first as extreme as the record: p is 0.08 or more
# Averages of a record that are held against surrogates: more show nothing new, and take long.
TESTED_AVERAGES = 512
TEST_ITERATIONS = 12
# Two groups of equal size and spread show two humps from a distance of two standard deviations
# (Ashman, Bird & Zepf 1994, Astron. J. 108, 2348-2361): below it no test is needed.
LEAST_SEPARATION = 2.0
# One change or two may be a drift (engineering judgement).
LEAST_CHANGES = 4


@dataclass(frozen=True)
class QuantityTest:
    """What one quantity says for two states."""

    name: str
    chosen: Chosen
    changes: int
    p_levels: float | None  # that one flat hump of the same spectrum parts as far
    p_likelihood: float | None  # that one state of the same spectrum has such a likelihood ratio
    n_tests: float  # independent ones that all quantities amount to
    why: str  # why it is not two states, empty where it is

    @property
    def is_two_states(self) -> bool:
        """Whether it was tested and is."""
        return self.p_likelihood is not None and not self.why

    @property
    def separation(self) -> float:
        """Distance of the levels in standard deviations of the averages within a state."""
        return self.chosen.clearest.separation

    @property
    def p_value(self) -> float | None:
        """Of this quantity showing two states by chance in any of those looked at (Bonferroni)."""
        if self.p_levels is None or self.p_likelihood is None:
            return None
        return min(1.0, self.n_tests * max(self.p_levels, self.p_likelihood))


def look_for_states(
    samples: Array,
    rate_hz: float,
    names: list[str],
    rng: np.random.Generator,
    shortest_s: float = 0.0,
) -> tuple[QuantityTest, ...]:
    """Each quantity looked at, the clearest first; none where the record is too short.

    Constant quantities are left out. Once one shows two states, those after it are not tested.

    Parameters
    ----------
    samples : (n_quantities, n_samples)
    shortest_s : spacing of averages below which the record holds nothing
    """
    alive = [i for i in range(len(names)) if np.ptp(samples[i]) > 0]
    numbers = numbers_of_averages(samples.shape[1], samples.shape[1] / rate_hz, shortest_s)
    if not numbers or not alive:
        return ()
    records = [Transformed.of(samples[i], rate_hz) for i in alive]
    every = choose_averaging(records, numbers)
    n_tests = independent_tests(samples[alive])
    tests = [first_look(names[i], one, n_tests) for i, one in zip(alive, every, strict=True)]
    tests.sort(key=lambda test: (bool(test.why), -test.separation))
    for place, test in enumerate(tests):
        if test.why:
            break
        tests[place] = tested(test, rng)
        if tests[place].is_two_states:
            tests.insert(0, tests.pop(place))
            break
    return tuple(tests)


def independent_tests(samples: Array) -> float:
    """How many independent quantities these amount to, by the eigenvalues λ of their correlation.

    (Σ √λ)² / Σ λ (Galwey 2009, Genet. Epidemiol. 33, 559-568; from memory): one where all move
    together, as many as there are where each moves by itself.

    Parameters
    ----------
    samples : (n_quantities, n_samples), none of them constant
    """
    correlation = np.atleast_2d(np.corrcoef(samples))
    roots = np.sqrt(np.maximum(np.linalg.eigvalsh(correlation), 0))
    return float(roots.sum() ** 2 / np.sum(roots**2))


def first_look(name: str, chosen: Chosen, n_tests: float) -> QuantityTest:
    """What needs no surrogates."""
    changes = visits_of(chosen.finest.upper.astype(np.int8)).changes
    why = ""
    if not chosen.clearest.separation >= LEAST_SEPARATION:
        why = "no two levels are held two standard deviations apart"
    elif changes < LEAST_CHANGES:
        why = f"it changes fewer than {LEAST_CHANGES} times"
    return QuantityTest(name, chosen, changes, None, None, n_tests, why)


def tested(test: QuantityTest, rng: np.random.Generator) -> QuantityTest:
    """The record against one-state records: flat ones, then Gaussian ones."""
    averaged, n = test.chosen.clearest.averaged, test.n_tests
    p_levels = chance(averaged, _flat, separation, rng)
    p_likelihood, why = None, ""
    if n * p_levels > LEVEL:
        why = "its values do not part into two groups"
    else:
        p_likelihood = chance(averaged, Averaged.surrogates, likelihood_ratio, rng)
        if n * p_likelihood > LEVEL:
            why = "one state of the same spectrum is as likely to look like this"
    return replace(test, p_levels=p_levels, p_likelihood=p_likelihood, why=why)


def _flat(averaged: Averaged, n: int, rng: np.random.Generator) -> Array:
    """Records of the same spectrum whose values are spread evenly, ``(n, n_averages)``."""
    from scipy.special import ndtr

    return np.asarray(ndtr(averaged.surrogates(n, rng) / averaged.spread))


def chance(
    averaged: Averaged,
    surrogates: Callable[[Averaged, int, np.random.Generator], Array],
    statistic: Callable[[Array], Array],
    rng: np.random.Generator,
) -> float:
    """Share of one-state records, with the record itself, that are as extreme as the record.

    Parameters
    ----------
    surrogates : makes so many one-state records of the record's spectrum
    statistic : one value a record, large where there are two states
    """
    n_tested = min(averaged.n_averages, TESTED_AVERAGES)
    own = statistic(averaged.samples[None, :n_tested])[0]
    above = total = 0
    for n in (FIRST_SURROGATES, SURROGATES - FIRST_SURROGATES):
        drawn = surrogates(averaged, n, rng)[:, :n_tested]
        above += int(np.sum(statistic(drawn) >= own))
        total += n
        if above >= PLAIN:
            break
    return (1 + above) / (1 + total)


def _quickly_fitted(samples: Array) -> TwoStateModels:
    """By a few steps from one start: the same for a record and what it is held against."""
    centred = samples - samples.mean(axis=1, keepdims=True)
    return fit_two_states(centred, starts=(0.5,), iterations=TEST_ITERATIONS)


def separation(samples: Array) -> Array:
    """Of two fitted levels, ``(n_records,)``; see `held_separation`.

    Parameters
    ----------
    samples : (n_records, n_samples)
    """
    return held_separation(_quickly_fitted(samples))


def likelihood_ratio(samples: Array) -> Array:
    """Logarithm, of two states over one, ``(n_records,)``.

    Parameters
    ----------
    samples : (n_records, n_samples)
    """
    models = _quickly_fitted(samples)
    return np.asarray(models.log_likelihood - one_state_log_likelihood(samples))
