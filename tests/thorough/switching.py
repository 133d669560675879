"""How often one state is called two, how often two are found, and whether intervals hold them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.switching.averaging import Transformed, choose_averaging, numbers_of_averages
from buffet.switching.decision import QuantityTest, first_look, tested
from buffet.switching.two_states import two_states
from tests.thorough.parallel import in_pieces
from tests.thorough.records import Kind, Resonance, from_density, switching

Array = NDArray[np.float64]
Make = Callable[[int, np.random.Generator], Array]

RATE_HZ = 200.0
DURATION_S = 60.0
N_SAMPLES = round(RATE_HZ * DURATION_S)
AT_ONCE = 25
CHANGES = 20
DIFFERENCES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0)  # of the levels, in standard deviations in a state


def unit(records: Array) -> Array:
    """Each record about its mean, of standard deviation 1."""
    about = records - records.mean(axis=1, keepdims=True)
    return np.asarray(about / about.std(axis=1, keepdims=True))


def gaussian(density: Callable[[Array], Array]) -> Make:
    """Unit records of a spectrum."""
    return lambda n, rng: unit(from_density(density, n, DURATION_S, rng, RATE_HZ))


def peaky(natural_hz: float, quality: float, white: float = 0.3) -> Make:
    """Shedding on white noise of this share of the variance."""
    peak = Resonance(natural_hz, natural_hz / quality, 1 - white)
    return gaussian(Kind("", white, (peak,)).density)


def skewed(make: Make, exponent: float = 0.7) -> Make:
    """Log-normal records: skewness 2.9 for 0.7."""
    return lambda n, rng: np.exp(exponent * make(n, rng))


def flat(make: Make, white: float = 0.0) -> Make:
    """Spread evenly, on white noise of this standard deviation: as near to two levels as one
    hump gets."""
    from scipy.special import ndtr

    def made(n: int, rng: np.random.Generator) -> Array:
        noise = white * rng.standard_normal((n, N_SAMPLES))
        return np.asarray(np.sqrt(12) * ndtr(make(n, rng)) + noise)

    return made


def bursty(make: Make, loud_s: float, quiet_s: float, quiet: float) -> Make:
    """Loud and quiet by turns: states that differ in variance alone."""

    def made(n: int, rng: np.random.Generator) -> Array:
        loud = np.array([switching(N_SAMPLES, loud_s, quiet_s, rng) for _ in range(n)])
        return make(n, rng) * (quiet + (1 - quiet) * loud)

    return made


def modulated(make: Make, slow: Make) -> Make:
    """With a log-normal envelope."""
    return lambda n, rng: make(n, rng) * np.exp(0.7 * slow(n, rng))


def pulses(rate_hz: float, decay_s: float) -> Make:
    """One-sided pulses at random, of exponential height and decay, on white noise."""

    def made(n: int, rng: np.random.Generator) -> Array:
        length = 8 * round(decay_s * RATE_HZ)
        shape = np.exp(-np.arange(length) / (decay_s * RATE_HZ))
        struck = rng.random((n, N_SAMPLES + length)) < rate_hz / RATE_HZ
        height = struck * rng.exponential(1, struck.shape)
        rows = [np.convolve(row, shape)[length : length + N_SAMPLES] for row in height]
        return np.array(rows) + 0.2 * rng.standard_normal((n, N_SAMPLES))

    return made


def line(n: int, rng: np.random.Generator) -> Array:
    """A slow line: two humps, but no states."""
    time = np.arange(N_SAMPLES) / RATE_HZ
    wave = np.sin(2 * np.pi * 0.3 * time + rng.uniform(0, 2 * np.pi, (n, 1)))
    return wave + 0.5 * rng.standard_normal((n, N_SAMPLES))


WHITE = gaussian(lambda f: np.ones_like(f))
WAKE = gaussian(lambda f: 1 / (1 + (f / 5) ** 2) + 1e-3)
INERTIAL = gaussian(lambda f: np.maximum(f, 0.2) ** (-5 / 3) + 0.01)
DRIFTING = gaussian(lambda f: np.maximum(f, 0.02) ** (-5 / 3) + 0.01)
ONE_STATE: dict[str, Make] = {
    "white": WHITE,
    "peaky, Q 6": peaky(12.0, 6),
    "peaky, Q 12": peaky(12.0, 12),
    "peaky, Q 40": peaky(12.0, 40),
    "peaky, Q 40, 2 Hz": peaky(2.0, 40),
    "broadband wake": WAKE,
    "f^-5/3 from 0.2 Hz": INERTIAL,
    "f^-5/3 from 0.02 Hz": DRIFTING,
    "log-normal wake": skewed(WAKE),
    "log-normal f^-5/3": skewed(INERTIAL),
    "squared f^-5/3": lambda n, rng: INERTIAL(n, rng) ** 2,
    "pulses": pulses(1.0, 0.5),
    "rare pulses": pulses(0.3, 1.0),
    "bursts of noise": bursty(WHITE, 0.5, 1.5, 0.0),
    "bursts of shedding": bursty(peaky(12.0, 6, 0.02), 2.0, 2.0, 0.3),
    "bursts of wake": bursty(WAKE, 3.0, 3.0, 0.3),
    "enveloped wake": modulated(WAKE, INERTIAL),
    "flat f^-5/3": flat(INERTIAL),
    "flat, slow, on noise": flat(gaussian(lambda f: 1 / (1 + (f / 0.3) ** 2) ** 2), 0.3),
    "slow line": line,
}
WITHIN: dict[str, Make] = {
    "white": WHITE,
    "peaky, Q 6": peaky(12.0, 6),
    "peaky, Q 12": peaky(12.0, 12),
    "peaky, Q 40": peaky(12.0, 40, 0.02),
    "broadband wake": WAKE,
    "f^-5/3 from 0.2 Hz": INERTIAL,
}


def decided(records: Array, rng: np.random.Generator) -> list[QuantityTest]:
    """Each record judged by itself."""
    numbers = numbers_of_averages(N_SAMPLES, DURATION_S)
    chosen = choose_averaging([Transformed.of(record, RATE_HZ) for record in records], numbers)
    looks = [first_look("", one, 1.0) for one in chosen]
    return [look if look.why else tested(look, rng) for look in looks]


def false_alarms(name: str, n_records: int, seed: int = 8) -> Counter[str]:
    """Records of one state by why they are not called two; "" for those that are."""
    rng = np.random.default_rng([seed, list(ONE_STATE).index(name)])
    return _counted(ONE_STATE[name], n_records, rng)


def _counted(make: Make, n_records: int, rng: np.random.Generator) -> Counter[str]:
    found: Counter[str] = Counter()
    for start in range(0, n_records, AT_ONCE):
        found.update(t.why for t in decided(make(min(AT_ONCE, n_records - start), rng), rng))
    return found


def states(n: int, changes: int, rng: np.random.Generator) -> Array:
    """0 and 1 by turns, so many changes at random times a record, ``(n, N_SAMPLES)``."""
    at = np.sort(rng.integers(0, N_SAMPLES, (n, changes)), axis=1)
    time = np.arange(N_SAMPLES)
    counts = np.array([np.searchsorted(row, time, side="right") for row in at])
    return np.asarray((counts + rng.integers(0, 2, (n, 1))) % 2, dtype=float)


@dataclass(frozen=True)
class Planted:
    """Levels apart in units of the standard deviation within a state."""

    within: str
    difference: float

    def make(self, n: int, rng: np.random.Generator) -> Array:
        """Records with 20 changes."""
        return WITHIN[self.within](n, rng) + self.difference * states(n, CHANGES, rng)


def detections(kind: Planted, n_records: int, seed: int = 9) -> tuple[int, int]:
    """Records of two states called so, of how many."""
    rng = np.random.default_rng([seed, list(WITHIN).index(kind.within), int(10 * kind.difference)])
    return _counted(kind.make, n_records, rng)[""], n_records


@dataclass
class Covered:
    """How often intervals held the truth, of how many; and the means over all records."""

    n: int = 0
    difference: int = 0
    dwell: int = 0
    rate: int = 0
    bias: float = 0.0  # sum of the relative errors of the mean dwell times


DWELL_S = 2.0
LEVELS_APART = 2.5


def coverage(within: str, n_records: int, seed: int = 10) -> Covered:
    """Over records whose states are held for 2 s on average, levels 2.5 apart."""
    rng = np.random.default_rng([seed, list(WITHIN).index(within)])
    found = Covered()
    for record in WITHIN[within](n_records, rng):
        state = switching(N_SAMPLES, DWELL_S, DWELL_S, rng)
        one = two_states(
            (record + LEVELS_APART * state)[None], RATE_HZ, ["x"], ["1"], [RATE_HZ / 2], rng
        ).states
        if one is None:
            continue
        for own in one.dwell:
            if own.mean_s is None:
                continue
            found.n += 1
            found.difference += _holds(one.values.difference, LEVELS_APART)
            found.dwell += _holds(own.mean_s, DWELL_S)
            found.rate += _holds(one.rate_hz, 1 / DWELL_S)
            found.bias += own.mean_s.value / DWELL_S - 1
    return found


def _holds(limits: Interval, truth: float) -> bool:
    low, high = limits.low or 0.0, inf if limits.high is None else limits.high
    return low <= truth <= high


def print_switching(n_records: int) -> None:
    """One line a kind of one-state record, of two-state record, and of intervals."""
    alarms = total = 0
    for name, pieces in in_pieces(false_alarms, list(ONE_STATE), n_records):
        found = sum(pieces, Counter[str]())
        alarms, total = alarms + found[""], total + n_records
        print(f"{name:20} {found['']:4} of {n_records} called two states", flush=True)
    print(f"all kinds: {100 * alarms / total:.2f} % of {total}", flush=True)
    kinds = [Planted(within, d) for within in WITHIN for d in DIFFERENCES]
    for kind, counts in in_pieces(detections, kinds, n_records):
        hits = sum(hit for hit, _ in counts)
        print(f"{kind.within:20} {kind.difference} apart: {100 * hits / n_records:5.1f} % found")
    for within, parts in in_pieces(coverage, list(WITHIN), n_records):
        n = max(1, sum(part.n for part in parts))
        shares = [
            100 * sum(getattr(part, word) for part in parts) / n
            for word in ("difference", "dwell", "rate", "bias")
        ]
        print(
            f"{within:20} intervals hold the levels' difference in {shares[0]:.0f} %, the mean "
            f"dwell time in {shares[1]:.0f} % (bias {shares[3]:+.0f} %), the rate in "
            f"{shares[2]:.0f} % of {n}"
        )
