"""One state or two: planted states, records of one state, and formulas from outside."""

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.switching.averaging import NEIGHBOURS, Transformed
from buffet.switching.state_values import Held, telegraph_psd
from buffet.switching.two_states import States, two_states
from buffet.switching.visits import (
    Dwell,
    change_rate,
    exponential_chance,
    visits_of,
    without_hiding,
)
from tests.thorough.records import Resonance, from_density, switching
from tests.thorough.switching import (
    DURATION_S,
    N_SAMPLES,
    ONE_STATE,
    RATE_HZ,
    WITHIN,
    Planted,
    coverage,
    detections,
    false_alarms,
)

Array = NDArray[np.float64]


@pytest.mark.parametrize(
    "kind", ["peaky, Q 12", "f^-5/3 from 0.02 Hz", "log-normal f^-5/3", "bursts of wake"]
)
def test_one_state_is_not_called_two(kind: str) -> None:
    """At most 2 % in the long check over all kinds: none of 25 here."""
    assert kind in ONE_STATE
    assert false_alarms(kind, 25)[""] == 0


@pytest.mark.parametrize("within", ["peaky, Q 12", "broadband wake"])
def test_levels_of_two_and_a_half_deviations_are_found(within: str) -> None:
    """With 20 changes; the long check counts more of them."""
    assert within in WITHIN
    found, of = detections(Planted(within, 2.5), 4)
    assert found == of


def test_intervals_hold_the_planted_levels_and_dwell_times() -> None:
    """Of 95 %, over few records: each in at least 80 %, the mean dwell time without bias."""
    found = coverage("peaky, Q 12", 4)
    assert found.n == 8
    assert min(found.difference, found.dwell, found.rate) >= 0.8 * found.n
    assert abs(found.bias / found.n) < 0.25


@pytest.fixture(scope="module")
def planted() -> tuple[States, Array]:
    """Two states of three quantities, levels apart in two, shedding louder in the upper state."""
    rng = np.random.default_rng(3)
    peak = Resonance(12.0, 2.0, 1.0)
    noise = from_density(peak.density, 3, DURATION_S, rng, RATE_HZ)
    state = switching(N_SAMPLES, 2.0, 3.0, rng)
    steps = np.array([[1.5], [-0.5], [0.0]])
    samples = 7 + steps * state + noise * (1 + state)
    names, units = ["first", "second", "third"], ["1", "1", "1"]
    found = two_states(samples, RATE_HZ, names, units, [90.0] * 3, rng)
    assert found.states is not None
    return found.states, state


def test_each_quantity_in_each_state(planted: tuple[States, Array]) -> None:
    """Level differences and RMS as planted, which the clearest quantity's states tell apart."""
    states, state = planted
    assert states.values.name == "first"
    for values, step in zip(states.quantities, (1.5, -0.5, 0.0), strict=True):
        low, high = values.difference.low, values.difference.high
        assert low is not None
        assert high is not None
        assert low - 0.05 < step < high + 0.05
        lower, upper = values.rms
        assert lower is not None
        assert upper is not None
        assert lower.value == pytest.approx(1.0, rel=0.12)
        assert upper.value == pytest.approx(2.0, rel=0.12)
    share = 1.5**2 * state.var() / np.var(1.5 * state + (1 + state))
    assert 0 < states.values.share < share
    assert np.mean(Held.of(states.visits, N_SAMPLES, RATE_HZ).state != state) < 0.05
    assert states.dwell[1].share == pytest.approx(state.mean(), abs=0.05)


def test_psd_of_each_state_is_that_of_its_fluctuation(planted: tuple[States, Array]) -> None:
    """A resonance of unit variance, twice as strong in amplitude in the upper state."""
    states, _ = planted
    values = states.values
    near = np.abs(values.frequency_hz - 12.0) < 3
    step = float(values.frequency_hz[1] - values.frequency_hz[0])
    powers = []
    for one in values.psd:
        assert one is not None
        assert one.segments >= 10
        assert one.degrees_of_freedom > one.segments
        powers.append(float(one.psd[near].sum() * step))
    assert powers[1] / powers[0] == pytest.approx(4.0, rel=0.35)
    assert powers[0] == pytest.approx(0.8, rel=0.3)  # 0.79 of a resonance's variance, Lorentzian


def test_psd_of_the_change_of_level_is_a_telegraphs() -> None:
    """2A²τ/(1 + (πfτ)²) for states ±A held alike; a simulated one of unequal states as well."""
    frequency = np.geomspace(0.01, 10, 30)
    found = telegraph_psd(frequency, 2 * 0.7, (1.3, 1.3))
    assert found == pytest.approx(2 * 0.7**2 * 1.3 / (1 + (np.pi * frequency * 1.3) ** 2))
    rng = np.random.default_rng(4)
    records = np.array([3.0 * switching(N_SAMPLES, 0.5, 1.5, rng) for _ in range(60)])
    records -= 3.0 * 0.25
    power = np.mean(np.abs(np.fft.rfft(records)) ** 2, axis=0) * 2 / (RATE_HZ * N_SAMPLES)
    bins = np.fft.rfftfreq(N_SAMPLES, 1 / RATE_HZ)
    for low, high in ((0.05, 0.2), (0.5, 1.0), (2.0, 4.0)):
        band = (bins >= low) & (bins < high)
        expected = telegraph_psd(bins[band], 3.0, (1.5, 0.5)).mean()
        assert power[band].mean() == pytest.approx(expected, rel=0.12)


def test_averages_of_white_noise_are_nearly_independent() -> None:
    """Neighbours correlate as the weights say, those two apart hardly at all."""
    rng = np.random.default_rng(5)
    averaged = Transformed.of(rng.standard_normal(200_000), 100.0).averaged(10_000).samples
    power = averaged.var()
    assert np.mean(averaged[1:] * averaged[:-1]) / power == pytest.approx(NEIGHBOURS, abs=0.03)
    assert np.mean(averaged[2:] * averaged[:-2]) / power == pytest.approx(0, abs=0.03)


def test_averages_keep_slow_changes_and_surrogates_their_spectrum() -> None:
    """A slow wave comes through in size and place; surrogates have its variance."""
    time = np.arange(8000) / 100.0
    wave = 5 + np.sin(2 * np.pi * time / 20)
    averaged = Transformed.of(wave, 100.0).averaged(128)
    at = np.arange(128) * averaged.spacing_s
    assert averaged.samples == pytest.approx(5 + np.sin(2 * np.pi * at / 20), abs=0.005)
    drawn = averaged.surrogates(20, np.random.default_rng(6))
    assert drawn.var(axis=1) == pytest.approx(0.5 * np.ones(20), rel=0.01)
    assert averaged.spread == pytest.approx(np.sqrt(0.5), rel=0.01)


def test_a_state_counts_where_it_holds_for_two_averages() -> None:
    """Lone averages join what they interrupt, at the record's start too."""
    path = np.array([1, 0, 0, 0, 1, 0, 0, 1, 1, 0, 1, 1, 0, 0, 1], dtype=np.int8)
    visits = visits_of(path)
    assert visits.state.tolist() == [0, 1, 0]
    assert visits.length.tolist() == [7, 5, 3]
    assert visits.changes == 2
    assert visits.whole(1).tolist() == [5]
    assert visits_of(np.array([0, 1, 0, 1], dtype=np.int8)).changes == 0


def test_mean_dwell_times_behind_hidden_visits_are_recovered() -> None:
    """Exponential visits, those under 0.5 s hidden by hand."""
    rng = np.random.default_rng(7)
    means, hidden = (2.0, 1.0), 0.5
    lasted = rng.exponential(np.tile(means, 40_000))
    state, totals, exits = 0, [0.0, 0.0], [0, 0]
    for k, duration in enumerate(lasted):
        if k % 2 != state and duration >= hidden:
            exits[state] += 1
            state = k % 2
        totals[state] += duration
    seen = [total / n for total, n in zip(totals, exits, strict=True)]
    assert seen[0] > 1.2 * means[0]
    found = without_hiding(seen[0], seen[1], hidden)
    assert found == pytest.approx(means, rel=0.03)
    assert without_hiding(0.6, 0.6, 0.5) is None


def test_the_test_of_exponential_dwell_times_has_its_published_critical_value() -> None:
    """Stephens 1974: (D - 0.2/n)(√n + 0.26 + 0.5/√n) = 1.094 at 5 %, 1.308 at 1 % (memory)."""
    rng = np.random.default_rng(8)
    n = 40
    chances, sizes = [], []
    for _ in range(60):
        drawn = np.sort(rng.exponential(1.0, n))
        below = 1 - np.exp(-drawn / drawn.mean())
        rank = np.arange(1, n + 1) / n
        distance = max(np.max(rank - below), np.max(below - rank + 1 / n))
        sizes.append((distance - 0.2 / n) * (np.sqrt(n) + 0.26 + 0.5 / np.sqrt(n)))
        # in steps so fine that they do not show
        found = exponential_chance(np.round(drawn * 1e5).astype(int), rng)
        assert found is not None
        chances.append(found)
    for critical, level in ((0.926, 0.15), (0.990, 0.10)):
        at = np.interp(critical, np.sort(sizes), np.sort(chances)[::-1])
        assert at == pytest.approx(level, abs=0.04)
    even = np.full(20, 30) + rng.integers(0, 3, 20)
    assert exponential_chance(even, rng) == pytest.approx(0.001, abs=0.001)
    assert exponential_chance(even[:5], rng) is None


def test_the_rate_of_changes_has_garwoods_interval() -> None:
    """Ten events: 4.80 to 18.39 (Garwood 1936's table of Poisson limits, from memory)."""
    dwell = Dwell(0.5, None, "", None, np.empty(0), None)
    found = change_rate(10, 1.0, (dwell, dwell), 0.01)
    assert found.value == 10
    assert found.low == pytest.approx(4.80, abs=0.01)
    assert found.high == pytest.approx(18.39, abs=0.01)
    assert change_rate(0, 1.0, (dwell, dwell), 0.01).high == pytest.approx(3.69, abs=0.01)


def test_a_record_too_short_or_constant_says_nothing() -> None:
    """No quantity is tested."""
    rng = np.random.default_rng(9)
    short = rng.standard_normal((1, 200))
    assert two_states(short, 100.0, ["x"], ["1"], [40.0], rng).tests == ()
    constant = np.ones((1, 5000))
    assert two_states(constant, 100.0, ["x"], ["1"], [40.0], rng).tests == ()


def test_the_rate_is_less_sure_where_visits_are_hidden() -> None:
    """Visits of 2 s seen at a spacing of 0.5 s: limits wider than Garwood's, and of the truth."""
    hidden_s = 1.5 * 0.5
    seen = 2 * 2.0 * np.exp(hidden_s / 2.0) - 2.0  # of two states of 2 s: (a + b) e^(h/b) - b
    whole = Interval(2.0, 1.0, 4.0)
    dwell = Dwell(0.5, whole, "", float(seen), np.empty(0), None)
    plain = Dwell(0.5, None, "", None, np.empty(0), None)
    found = change_rate(30, 30 * seen, (dwell, dwell), 0.5)
    garwood = change_rate(30, 30 * seen, (plain, plain), 0.5)
    assert found.value == pytest.approx(0.5, rel=1e-6)
    assert found.low is not None
    assert garwood.low is not None
    assert found.value / found.low > 1.1 * garwood.value / garwood.low
