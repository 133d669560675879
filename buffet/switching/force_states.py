"""Two states in the forces of a configuration's runs, looked for in all runs of a campaign at once.

A fit takes as long for one record as for many of one length, since its steps go over time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.quantity_samples import quantity_samples, true_to_hz
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import run_seed
from buffet.switching.averaging import Transformed, choose_averaging, numbers_of_averages
from buffet.switching.decision import LEVEL, QuantityTest, first_look, independent_tests, tested
from buffet.switching.hidden_markov import fit_two_states, likeliest_path
from buffet.switching.state_values import Held, Levels
from buffet.switching.visits import visits_of

Array = NDArray[np.float64]

# Averages of a record at most: what changes faster is in the spectrum of the seat's motion, and
# fitting takes as long as there are averages (engineering judgement).
MOST_AVERAGES = 1024
# Records whose lengths differ by less are cut to the shortest and looked at together.
SAME_LENGTH = 0.05


@dataclass(frozen=True)
class ForceStates:
    """The two states of one run, as far as the forces' levels go."""

    run: RunAnalysis
    changes: int
    duration_s: float  # of the record
    step: Array  # (n_words,), upper less lower state of the clearest component
    variance: Array  # (n_words,), of each


@dataclass(frozen=True)
class ConfigurationStates:
    """Whether a configuration's wake changes between two states."""

    runs: tuple[ForceStates, ...]  # those that show them; empty where chance would do as well
    why_none: str | None

    @property
    def changes(self) -> int:
        """Of all runs that show them."""
        return sum(run.changes for run in self.runs)


@dataclass(frozen=True)
class _Looked:
    """One run's components as samples, and what a first look says of each."""

    run: RunAnalysis
    samples: Array  # (n_words, n_samples)
    tests: tuple[QuantityTest, ...]  # as many

    @property
    def best(self) -> int:
        """Position of the clearest."""
        order = [(not test.why, test.separation) for test in self.tests]
        return order.index(max(order))


def campaign_states(
    configurations: Mapping[str, Sequence[RunAnalysis]], words: Sequence[str]
) -> dict[str, ConfigurationStates]:
    """Of every configuration whose runs all hold a copy of their samples.

    A configuration has two states if more of its runs show them than chance makes of runs of one
    state: each shows them falsely in 2 %, and so many runs of n must that n of one state would in
    2 % of campaigns at most (binomial).

    Parameters
    ----------
    words : components whose levels are told; those that a run does not hold count as zero
    """
    every = [run for runs in configurations.values() for run in runs if run.copy is not None]
    looked = {one.run.run.number: one for group in _groups(every) for one in _look(group, words)}
    return {
        name: _decided([looked[r.run.number] for r in runs if r.run.number in looked])
        for name, runs in configurations.items()
        if all(run.copy is not None for run in runs)
    }


def _groups(runs: Sequence[RunAnalysis]) -> list[list[RunAnalysis]]:
    """Runs whose copies are of one rate and nearly one length."""
    groups: list[list[RunAnalysis]] = []
    for run in sorted(runs, key=lambda run: (_rate_hz(run), _n_samples(run))):
        first = groups[-1][0] if groups else None
        alike = (
            first is not None
            and _rate_hz(run) == _rate_hz(first)
            and _n_samples(run) <= (1 + SAME_LENGTH) * _n_samples(first)
        )
        if alike:
            groups[-1].append(run)
        else:
            groups.append([run])
    return groups


def _rate_hz(run: RunAnalysis) -> float:
    return 0.0 if run.copy is None else run.copy.rate_hz


def _n_samples(run: RunAnalysis) -> int:
    return 0 if run.copy is None else run.copy.n_samples


def _look(runs: Sequence[RunAnalysis], words: Sequence[str]) -> list[_Looked]:
    """At runs of one length; those without a component that moves are left out."""
    n, rate_hz = _n_samples(runs[0]), _rate_hz(runs[0])
    held = [(run, _components(run, words)[:, :n]) for run in runs]
    moving = [(run, samples) for run, samples in held if np.ptp(samples, axis=1).any()]
    shortest_s = 1 / min((_to_hz(run, words) for run, _ in moving), default=np.inf)
    numbers = [m for m in numbers_of_averages(n, n / rate_hz, shortest_s) if m <= MOST_AVERAGES]
    if not numbers or not moving:
        return []
    alive = [np.flatnonzero(np.ptp(samples, axis=1) > 0) for _, samples in moving]
    records = [
        Transformed.of(samples[i], rate_hz)
        for (_, samples), own in zip(moving, alive, strict=True)
        for i in own
    ]
    chosen = iter(choose_averaging(records, numbers))
    found = []
    for (run, samples), own in zip(moving, alive, strict=True):
        n_tests = independent_tests(samples[own])
        tests = tuple(first_look(words[int(i)], next(chosen), n_tests) for i in own)
        found.append(_Looked(run, samples, tests))
    return found


def _components(run: RunAnalysis, words: Sequence[str]) -> Array:
    """Samples of the components, ``(n_words, n)``; zeros where one is not told."""
    where = [run.fluctuation(word) for word in words]
    told = [index for index in where if index is not None]
    samples = iter(quantity_samples(run, told))
    return np.array([np.zeros(_n_samples(run)) if i is None else next(samples) for i in where])


def _to_hz(run: RunAnalysis, words: Sequence[str]) -> float:
    where = [run.fluctuation(word) for word in words]
    return max((true_to_hz(run, i) or 0.0 for i in where if i is not None), default=0.0) or np.inf


def _decided(looked: Sequence[_Looked]) -> ConfigurationStates:
    """Tested until enough runs show two states; then a first look serves for the others."""
    if not looked:
        return ConfigurationStates((), "the records are too short to tell two states from one")
    ranked = sorted(looked, key=lambda one: -one.tests[one.best].separation)
    candidates = [one for one in ranked if not one.tests[one.best].why]
    needed = runs_needed(len(looked))
    shown: list[_Looked] = []
    for place, one in enumerate(candidates):
        rng = run_seed(one.run.run.number, "states of the forces")
        if len(shown) >= needed or tested(one.tests[one.best], rng).is_two_states:
            shown.append(one)
        elif len(shown) + len(candidates) - place - 1 < needed:
            break
    if len(shown) < needed:
        return ConfigurationStates((), _why_none(len(shown), len(looked)))
    return ConfigurationStates(tuple(_states(one) for one in shown), None)


def _why_none(shown: int, n: int) -> str:
    if not shown:
        return "no two states were found"
    return f"two states were found in {shown} of {n} runs, which may be chance"


def runs_needed(n: int) -> int:
    """Fewest of n runs that must show two states, each false in 2 %, to be false in 2 % at most."""
    from scipy.special import bdtrc

    return next(k for k in range(1, n + 2) if k > n or bdtrc(k - 1, n, LEVEL) <= LEVEL * (1 + 1e-9))


def _states(looked: _Looked) -> ForceStates:
    averaged = looked.tests[looked.best].chosen.finest.averaged
    about = (averaged.samples - averaged.samples.mean())[None]
    visits = visits_of(likeliest_path(about, fit_two_states(about))[0])
    n = looked.samples.shape[1]
    held = Held.of(visits, n, n / averaged.duration_s)
    levels = [Levels.of(samples, held) for samples in looked.samples]
    return ForceStates(
        looked.run,
        visits.changes,
        averaged.duration_s,
        np.array([one.level[1] - one.level[0] for one in levels]),
        np.array([sum(one.variance) for one in levels]),
    )
