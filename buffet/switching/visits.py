"""How long each state is held: visits, their mean and their distribution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.interval import LEVEL, Interval

Array = NDArray[np.float64]
Integers = NDArray[np.int_]

# Averages that a state must hold to count as visited. A lone one may be chance: with levels four
# standard deviations apart one in 40 lies beyond the middle, and one that straddles a change lies
# anywhere in between.
LEAST_AVERAGES = 2
# A visit of between one and two spacings shows as one average or as two: half way, it is hidden
# as often as not.
HIDDEN_SPACINGS = LEAST_AVERAGES - 0.5
ROUNDS = 200
EXPONENTIAL_RECORDS = 999
# Visits below which no distribution can be judged (engineering judgement).
LEAST_VISITS = 8


@dataclass(frozen=True)
class Visits:
    """Unbroken stretches of one state; the first and the last are cut off by the record's ends."""

    state: Integers  # (n_visits,), 0 or 1
    start: Integers  # (n_visits,), first average
    length: Integers  # (n_visits,), averages

    @property
    def changes(self) -> int:
        """From one state to the other."""
        return len(self.state) - 1

    @property
    def path(self) -> NDArray[np.int8]:
        """The state at each average."""
        return np.repeat(self.state, self.length).astype(np.int8)

    def whole(self, state: int) -> Integers:
        """Lengths of the visits to a state that the record holds from end to end."""
        inner = slice(1, -1)
        return np.asarray(self.length[inner][self.state[inner] == state])


def visits_of(path: NDArray[np.int8], least: int = LEAST_AVERAGES) -> Visits:
    """The visits of a path; the state changes only where the new one holds for `least` averages.

    Parameters
    ----------
    path : (n_averages,), 0 or 1
    """
    edges = np.flatnonzero(np.diff(path)) + 1
    starts = np.concatenate([[0], edges])
    lengths = np.diff(np.concatenate([starts, [len(path)]]))
    counts = lengths >= least
    if not counts.any():
        return Visits(np.array([int(path[0])]), np.array([0]), np.array([len(path)]))
    state, start = path[starts[counts]].astype(int), starts[counts]
    new = np.concatenate([[True], np.diff(state) != 0])
    state, start = state[new], start[new]
    start[0] = 0
    return Visits(state, start, np.diff(np.concatenate([start, [len(path)]])))


@dataclass(frozen=True)
class Dwell:
    """How long one state is held."""

    share: float  # of the time
    mean_s: Interval | None  # mean dwell time, with what is hidden allowed for; None: too short
    why: str  # why there is none
    seen_s: float | None  # mean of what is seen: time in the state over the times it was left
    whole_s: Array  # (n,), visits that the record holds from end to end
    p_exponential: float | None  # of exponential dwell times; None: too few visits


def dwells(visits: Visits, spacing_s: float, rng: np.random.Generator) -> tuple[Dwell, Dwell]:
    """Of both states.

    A mean is the time in a state over the times it was left, the likeliest one where the last
    visit is cut off; the interval is that of an exponential mean seen for a fixed time, 2T/χ² with
    2r and 2r + 2 degrees of freedom for r exits (Epstein & Sobel 1953, J. Am. Stat. Assoc. 48,
    486-502; the degrees of freedom from memory).
    """
    from scipy.special import chdtri

    path = visits.path
    times = [float(np.sum(path == state)) * spacing_s for state in (0, 1)]
    exits = [int(np.sum(visits.state[:-1] == state)) for state in (0, 1)]
    seen = [time / n if n else None for time, n in zip(times, exits, strict=True)]
    true = None
    if seen[0] is not None and seen[1] is not None:
        true = without_hiding(seen[0], seen[1], HIDDEN_SPACINGS * spacing_s)
    found = []
    for state in (0, 1):
        mean, why = None, "a state was left too seldom"
        if true is not None:
            tail = (1 - LEVEL) / 2
            low = 2 * exits[state] / chdtri(2 * exits[state] + 2, tail)
            high = 2 * exits[state] / chdtri(2 * exits[state], 1 - tail)
            mean = Interval(true[state], true[state] * float(low), true[state] * float(high))
            why = ""
        elif exits[0] and exits[1]:
            why = "the visits are hardly longer than what averaging hides"
        whole = visits.whole(state)
        found.append(
            Dwell(
                times[state] / (spacing_s * len(path)),
                mean,
                why,
                seen[state],
                np.asarray(whole * np.float64(spacing_s)),
                exponential_chance(whole - LEAST_AVERAGES, rng),
            )
        )
    return found[0], found[1]


def without_hiding(first_s: float, second_s: float, hidden_s: float) -> tuple[float, float] | None:
    """Mean dwell times behind the ones seen, where visits shorter than `hidden_s` are hidden.

    A visit that is seen has lasted `hidden_s`, and runs on through hidden ones of the other state.
    With exponential dwell times of means a and b the mean seen is (a + b) exp(h/b) - b, and alike
    for the other (missed events of two-state ion channels: Colquhoun & Sigworth 1995,
    Single-Channel Recording, 2nd ed., ch. 19, from memory; derived anew: h, then on average
    exp(h/b) - 1 hidden visits with a stay of mean a after each). Solved by insertion; None where
    that does not settle on times longer than half of `hidden_s`.
    """
    a, b = first_s - hidden_s, second_s - hidden_s
    for _ in range(ROUNDS):
        if min(a, b) <= hidden_s / 2:
            return None
        new_a = (first_s + b) * np.exp(-hidden_s / b) - b
        new_b = (second_s + a) * np.exp(-hidden_s / a) - a
        if abs(new_a - a) + abs(new_b - b) < 1e-9 * (a + b):
            break
        a, b = (a + new_a) / 2, (b + new_b) / 2
    return float(a), float(b)


def exponential_chance(excess: Integers, rng: np.random.Generator) -> float | None:
    """Chance that exponential dwell times fit worse, their mean estimated; None of too few.

    Kolmogorov-Smirnov's distance with the estimated mean, its distribution simulated (after
    Lilliefors 1969, J. Am. Stat. Assoc. 64, 387-389). Dwell times counted in whole averages are
    geometric where the true ones are exponential.

    Parameters
    ----------
    excess : (n_visits,), averages beyond the least that are seen
    """
    if len(excess) < LEAST_VISITS or not excess.any():
        return None
    stop = 1 / (1 + excess.mean())
    drawn = rng.geometric(stop, (EXPONENTIAL_RECORDS, len(excess))) - 1
    own = _distance(excess[None])[0]
    return float((1 + np.sum(_distance(drawn) >= own - 1e-12)) / (1 + EXPONENTIAL_RECORDS))


def _distance(excess: Integers) -> Array:
    """Largest distance from the geometric distribution of the same mean, ``(n_records,)``."""
    n = excess.shape[1]
    ordered = np.sort(excess, axis=1)
    mean = ordered.mean(axis=1, keepdims=True)
    going_on = mean / (1 + mean)
    above = np.arange(1, n + 1) / n - (1 - going_on ** (ordered + 1))
    below = (1 - going_on**ordered) - np.arange(n) / n
    return np.asarray(np.maximum(above.max(axis=1), below.max(axis=1)))


def change_rate(
    changes: int, duration_s: float, dwell: tuple[Dwell, Dwell], spacing_s: float
) -> Interval:
    """Changes a second, with a Poisson interval (Garwood 1936, Biometrika 28, 437-442).

    From the mean dwell times where these are known, which allow for hidden visits: both limits of
    the number seen are carried through that allowance, which widens them. An upper limit is not
    known where so many changes would have gone by unseen that the allowance gives no answer.
    """
    from scipy.special import chdtri

    tail = (1 - LEVEL) / 2
    low = float(chdtri(2 * changes, 1 - tail) / 2) if changes else 0.0
    high = float(chdtri(2 * changes + 2, tail) / 2)
    first, second = dwell[0].seen_s, dwell[1].seen_s
    if None in (dwell[0].mean_s, dwell[1].mean_s) or first is None or second is None:
        return Interval(changes / duration_s, low / duration_s, high / duration_s)

    def rate(number: float) -> float | None:
        """If so many had been seen."""
        longer = changes / number
        times = without_hiding(first * longer, second * longer, HIDDEN_SPACINGS * spacing_s)
        return None if times is None else 2 / (times[0] + times[1])

    value = rate(changes)
    assert value is not None
    return Interval(value, rate(low) if low > 0 else 0.0, rate(high))
