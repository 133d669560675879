"""Whether a record is of one state or two, and what the two are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.switching.decision import QuantityTest, look_for_states
from buffet.switching.hidden_markov import TwoStateModels, fit_two_states, likeliest_path
from buffet.switching.state_values import Held, StateValues, state_values, telegraph_psd
from buffet.switching.visits import Dwell, Visits, change_rate, dwells, visits_of

Array = NDArray[np.float64]

# Changes of state below which means, rates and intervals are not to be relied on: a mean dwell
# time of five visits is known to a factor of three.
RELIABLE_CHANGES = 10


@dataclass(frozen=True)
class States:
    """The two states of a record; the first is the lower one of the clearest quantity."""

    clearest: int  # position in `quantities`
    quantities: tuple[StateValues, ...]
    models: TwoStateModels  # of the clearest quantity's averages about their mean
    averages: Array  # (n_averages,), of the clearest quantity
    visits: Visits  # of the averages
    spacing_s: float  # of the averages
    duration_s: float
    dwell: tuple[Dwell, Dwell]
    rate_hz: Interval  # changes a second

    @property
    def changes(self) -> int:
        """Of state, as seen."""
        return self.visits.changes

    @property
    def is_reliable(self) -> bool:
        """Enough changes for the intervals and the rate to mean something."""
        return self.changes >= RELIABLE_CHANGES

    @property
    def values(self) -> StateValues:
        """Of the clearest quantity."""
        return self.quantities[self.clearest]

    @property
    def separation(self) -> float:
        """Distance of the levels in standard deviations of the averages within a state."""
        return float(self.models.separation[0])

    @property
    def level_psd(self) -> Array | None:
        """PSD of the clearest quantity's change of level, at its `frequency_hz`; None: unknown."""
        first, second = (one.mean_s for one in self.dwell)
        if first is None or second is None:
            return None
        values = self.values
        times = (first.value, second.value)
        return telegraph_psd(values.frequency_hz, values.difference.value, times)


@dataclass(frozen=True)
class TwoStates:
    """What was looked at, and the two states where there are two."""

    tests: tuple[QuantityTest, ...]  # the clearest first
    states: States | None  # None: one state explains the record
    start_s: float = 0.0  # of the samples, in the record
    road_per_model: float | None = None  # of frequencies; None: no road speed
    lengths_per_s: float | None = None  # U / L; None: no wind or no model
    holds_more: tuple[str, ...] = ()  # what is in the samples, though taken out of the spectra

    @property
    def p_value(self) -> float | None:
        """Smallest over the quantities; None where none came so far as to be tested."""
        tried = [test.p_value for test in self.tests if test.p_value is not None]
        return min(tried, default=None)

    @property
    def why_one(self) -> str:
        """Why one state is enough, by the quantity that came closest."""
        return "" if self.states is not None or not self.tests else self.tests[0].why


def two_states(
    samples: Array,
    rate_hz: float,
    names: Sequence[str],
    units: Sequence[str],
    to_hz: Sequence[float],
    rng: np.random.Generator,
) -> TwoStates:
    """Look for two states in a record, and describe them.

    Parameters
    ----------
    samples : (n_quantities, n_samples)
    names, units : of the quantities
    to_hz : highest frequency that each holds
    """
    shortest_s = 1 / max(to_hz) if len(to_hz) else 0.0
    tests = look_for_states(samples, rate_hz, list(names), rng, shortest_s)
    if not tests or not tests[0].is_two_states:
        return TwoStates(tests, None)
    best = tests[0]
    averaged = best.chosen.finest.averaged
    averages = averaged.samples
    about = (averages - averages.mean())[None]
    models = fit_two_states(about)
    visits = visits_of(likeliest_path(about, models)[0])
    dwell = dwells(visits, averaged.spacing_s, rng)
    held = Held.of(visits, samples.shape[1], rate_hz)
    alive = [i for i in range(len(names)) if np.ptp(samples[i]) > 0]
    quantities = tuple(
        state_values(samples[i], held, dwell, names[i], units[i], to_hz[i]) for i in alive
    )
    states = States(
        [names[i] for i in alive].index(best.name),
        quantities,
        models,
        averages,
        visits,
        averaged.spacing_s,
        averaged.duration_s,
        dwell,
        change_rate(visits.changes, averaged.duration_s, dwell, averaged.spacing_s),
    )
    return TwoStates(tests, states)
