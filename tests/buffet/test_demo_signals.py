"""The invented campaign's signals against closed forms."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from buffet.demo import DemoSettings
from buffet.demo.logger import CHANNELS, MadeRun, make_run
from buffet.demo.schedule import Air, PlannedRun, plan_runs
from buffet.demo.spectra import TwoState
from buffet.demo.statement import truth_statement
from buffet.demo.truth import COMPONENTS, CONFIGURATIONS, Configuration, Source
from buffet.demo.wake import Span, state_history, synthesise, unit_signal

FloatArray = NDArray[np.float64]

SETTINGS = DemoSettings()
RATE_HZ = 500.0
SPEED_M_S = 40.0
STROUHAL_LENGTH_M = 0.435
BY_NAME = {configuration.name: configuration for configuration in CONFIGURATIONS}
# Four standard errors: a right program fails once in 16 000 checks.
FOUR = 4.0


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    """The truth as a reader of truth.json meets it."""
    document: dict[str, Any] = json.loads(json.dumps(truth_statement(0, SETTINGS, {})))
    return document


def _long_wake(name: str, duration_s: float = 900.0) -> FloatArray:
    span = Span.around(int(duration_s * RATE_HZ), RATE_HZ)
    return synthesise(BY_NAME[name], SPEED_M_S, span, np.random.default_rng(7)).kept


def _peak_psd(frequency_hz: FloatArray, strouhal: float, rms: float) -> FloatArray:
    """A f0²B²/((f² − f0²)² + f²B²) with A = rms² · 2/(π B) and B = f0/6."""
    peak_hz = strouhal * SPEED_M_S / STROUHAL_LENGTH_M
    width_hz = peak_hz / 6.0
    below = (frequency_hz**2 - peak_hz**2) ** 2 + frequency_hz**2 * width_hz**2
    return np.asarray(2.0 * rms**2 / (np.pi * width_hz) * peak_hz**2 * width_hz**2 / below)


def _broad_psd(frequency_hz: FloatArray, rms: float) -> FloatArray:
    corner_hz = 0.25 * SPEED_M_S / STROUHAL_LENGTH_M
    return np.asarray(rms**2 * 4 / (np.pi * corner_hz) / (1 + (frequency_hz / corner_hz) ** 2) ** 2)


def _switching_psd(
    frequency_hz: FloatArray, rms: float, dwell_s: tuple[float, float]
) -> FloatArray:
    decay_s = 1.0 / (1.0 / dwell_s[0] + 1.0 / dwell_s[1])
    return np.asarray(rms**2 * 4 * decay_s / (1 + (2 * np.pi * frequency_hz * decay_s) ** 2))


def _rear_lift_psd(name: str, frequency_hz: FloatArray, truth: dict[str, Any]) -> FloatArray:
    """Closed form from the numbers in truth.json, not from the module that made them."""
    stated = truth["configurations"][name]
    rms = stated["components"]["rear lift"]["rms"]
    total = _peak_psd(
        frequency_hz, stated["peaks"]["vertical shedding"]["strouhal"], rms["vertical shedding"]
    )
    total = total + _broad_psd(frequency_hz, rms["broadband"])
    if stated["switching"] is not None:
        first, second = (state["dwell_s_at_40_m_s"] for state in stated["switching"].values())
        total = total + _switching_psd(frequency_hz, rms["switching"], (first, second))
    return total


@pytest.mark.parametrize(("name", "error"), [("bare tailgate", 0.017), ("shallow tail", 0.024)])
def test_psd_of_a_long_wake_is_the_closed_form(
    name: str, error: float, truth: dict[str, Any]
) -> None:
    """Rear lift's PSD equals the stated formula, level by level, two-state wake included.

    Segments of 4 s from 900 s give 449 half-overlapped ones, 424 effective: 4.9 % standard error
    a bin. Bands of 16 bins of a Hann window hold about 16/1.9 independent values: 1.7 %. The
    window's bias at the peak, (4/3)(Δf/B)², is 0.9 % for Δf 0.25 Hz and the narrowest B, 2 Hz,
    plus the slope of the spectrum within the first band, which starts above it. In the two-state
    wake the share of time spent in the louder state moves all bands together, by 1.7 %.
    """
    frequency_hz, psd = signal.welch(
        _long_wake(name)[2], RATE_HZ, nperseg=int(4 * RATE_HZ), detrend=False
    )
    ratio = psd / _rear_lift_psd(name, frequency_hz, truth)
    in_band = (frequency_hz >= 2.0) & (frequency_hz < 82.0)
    bands = ratio[in_band].reshape(-1, 16).mean(axis=1)

    np.testing.assert_allclose(bands, 1.0, atol=FOUR * error + 0.009)


@pytest.mark.parametrize("name", list(BY_NAME))
def test_variance_of_a_long_wake_is_the_stated_one(name: str, truth: dict[str, Any]) -> None:
    """Every component's variance lies within four sampling errors of the table's.

    A normal signal's variance over T has relative standard error √(∫S² df / T) / ∫S df (Bendat
    and Piersol, Random Data, mean square of a Gaussian process; from memory). For one resonance
    ∫S² df is A²πB/4, so the error is 1/√(π B T); all other parts are wider, and the narrowest
    peak's error is taken for all. In a two-state wake the mean square of the driving noise also
    varies over time: standard deviation 0.47, memory 0.6 s, hence 0.47 √(2·0.6/900) = 1.7 % more.
    """
    stated = truth["configurations"][name]
    wake = _long_wake(name)
    for component, row in zip(COMPONENTS, wake, strict=True):
        expected = stated["components"][component]["rms"]["total"] ** 2
        peaks = stated["peaks"].values()
        width_hz = min(p["bandwidth_strouhal"] for p in peaks) * SPEED_M_S / STROUHAL_LENGTH_M
        of_states = 0.0 if stated["switching"] is None else 0.017
        error = float(np.hypot((np.pi * width_hz * 900.0) ** -0.5, of_states))

        assert np.var(row) == pytest.approx(expected, rel=FOUR * error), component


def test_lift_and_drag_share_half_of_the_shedding(truth: dict[str, Any]) -> None:
    """Coherence of drag and lift at the vertical peak is the one stated (0.50 less broadband).

    Standard error √2 (1 − γ²)/(γ √n_d) relative with 212 effective averages at γ² = 0.5: 7 %;
    three bins inside the peak are averaged.
    """
    wake = _long_wake("bare tailgate")
    frequency_hz, coherence = signal.coherence(
        wake[0], wake[1] + wake[2], RATE_HZ, nperseg=int(8 * RATE_HZ)
    )
    at = np.argmin(np.abs(frequency_hz - 0.20 * SPEED_M_S / STROUHAL_LENGTH_M))
    components = truth["configurations"]["bare tailgate"]["components"]
    expected = components["drag"]["coherence"]["lift at vertical peak"]

    assert 0.45 < expected < 0.5
    assert coherence[at - 1 : at + 2].mean() == pytest.approx(expected, rel=FOUR * 0.07 / 2**0.5)


def test_lateral_shedding_moves_the_taps_in_antiphase() -> None:
    """At the lateral peak the difference of the taps follows side force, their sum does not."""
    left, right = _long_wake("wing")[5:]
    side = _long_wake("wing")[3]
    frequency_hz, with_difference = signal.coherence(left - right, side, RATE_HZ, nperseg=2000)
    with_sum = signal.coherence(left + right, side, RATE_HZ, nperseg=2000)[1]
    at = np.argmin(np.abs(frequency_hz - 0.18 * SPEED_M_S / STROUHAL_LENGTH_M))

    assert with_difference[at] > 0.5
    assert with_sum[at] < 0.03


def test_dwell_times_are_exponential_with_the_stated_means() -> None:
    """Mean and coefficient of variation of each state's dwell times (1 for an exponential)."""
    states = TwoState(("low", "high"), (140.0, 90.0), 1.6)
    span = Span.around(3600 * 100, 100.0)
    second = state_history(states, 90.0, span, np.random.default_rng(3)).second
    edges = np.flatnonzero(np.diff(second)) + 1
    dwell_s = np.diff(edges) / 100.0
    for state, mean_s in ((0, 140 / 90), (1, 90 / 90)):
        own = dwell_s[second[edges[:-1]] == state]
        standard_error = len(own) ** -0.5

        assert len(own) > 1000
        assert own.mean() == pytest.approx(mean_s, rel=FOUR * standard_error)
        # The CV of n exponential values has standard error 1/√n.
        assert own.std() / own.mean() == pytest.approx(1.0, rel=FOUR * standard_error)


def test_two_states_keep_the_stated_mean_and_variance() -> None:
    """Levels average to 0 with variance 1 over time, amplitudes to a mean square of 1."""
    states = TwoState(("low", "high"), (140.0, 90.0), 1.6)
    first, second = 140 / 230, 90 / 230
    low, high = states.levels
    quiet, loud = states.amplitudes

    assert first * low + second * high == pytest.approx(0.0, abs=1e-12)
    assert first * low**2 + second * high**2 == pytest.approx(1.0)
    assert first * quiet**2 + second * loud**2 == pytest.approx(1.0)
    assert loud / quiet == pytest.approx(1.6)


def test_a_two_state_source_without_history_is_refused() -> None:
    """A source that needs the states says so."""
    source = Source("switching", TwoState(("low", "high"), (1.0, 1.0), 1.0), {"drag": 1.0})
    span = Span.around(10, 10.0)
    with pytest.raises(ValueError, match="'switching' has two states: it needs their history"):
        unit_signal(source, 1.0, span, None, np.random.default_rng(0))


@pytest.mark.parametrize(("ratio", "magnitude", "phase_deg"), [(0.0, 1, 0), (1.0, 25, -90)])
def test_balance_passes_steady_force_and_amplifies_at_resonance(
    ratio: float, magnitude: float, phase_deg: float
) -> None:
    """|H| is 1 at rest and 1/(2ζ) = 25 at 100 Hz, a quarter period late."""
    rear = next(channel for channel in CHANNELS if channel.name == "rear lift")
    response = rear.balance_response(np.array([100.0 * ratio]))[0]

    assert abs(response) == pytest.approx(magnitude)
    assert np.degrees(np.angle(response)) == pytest.approx(phase_deg, abs=1e-9)


@pytest.mark.parametrize(
    ("celsius", "hectopascal", "humidity", "density"),
    [
        (15.0, 1013.25, 0.0, 1.225),  # ISO 2533, standard atmosphere, printed 1.225
        (20.0, 1013.25, 0.5, 1.1993),  # CIPM-2007 (Picard and others 2008), worked out
    ],
)
def test_air_density(celsius: float, hectopascal: float, humidity: float, density: float) -> None:
    """Density agrees with the standard atmosphere (a perfect gas) and CIPM-2007 to 0.05 %."""
    air = Air(40.0, celsius, hectopascal, humidity)

    assert air.density_kg_m3 == pytest.approx(density, rel=5e-4)


def test_repeats_scatter_by_one_per_cent() -> None:
    """The fluctuation factors of 30 campaigns have mean 1 and standard deviation 0.010.

    720 normal values: the standard error of the deviation is 1/√(2·720), of the mean 0.01/√720.
    """
    runs = [run for seed in range(30) for run in plan_runs(SETTINGS, seed) if run.wind_on]
    factors = np.array([run.fluctuation_factor for run in runs])

    assert len(factors) == 720
    assert factors.std() == pytest.approx(0.010, rel=FOUR * 1440**-0.5)
    assert factors.mean() == pytest.approx(1.0, abs=FOUR * 0.010 * 720**-0.5)


def _made(configuration: Configuration, speed_m_s: float, duration_s: float) -> MadeRun:
    run = next(r for r in plan_runs(SETTINGS) if r.wind_on and r.configuration == configuration)
    air = Air(speed_m_s, 20.0, 1013.25, 0.5)
    plan = PlannedRun(run.number, configuration, run.started, air, duration_s)
    return make_run(plan, RATE_HZ, seed=5)


def test_hum_and_fan_are_lines_where_they_belong() -> None:
    """The mains stand at 50 Hz; the fan's line moves from 34 Hz at 40 m/s to 42.5 Hz at 50.

    In drag of the wing: fan 0.0010 RMS of q A, 3.7 counts at 40 m/s (1.199 kg/m³, 0.05 N a
    count), hum 1.5 counts. A bin of 0.05 Hz of the wake beside them holds 0.4 counts at most.
    """
    for speed_m_s, fan_hz in ((40.0, 34.0), (50.0, 42.5)):
        counts = _made(BY_NAME["wing"], speed_m_s, 60.0).counts[:, 0].astype(np.float64)
        frequency_hz, line = signal.periodogram(counts, RATE_HZ, scaling="spectrum")
        rms = dict(zip(np.round(frequency_hz, 4), np.sqrt(line), strict=True))
        fan_counts = 0.0010 * 0.5 * 1.1993 * speed_m_s**2 * 0.194 / 0.05

        assert rms[fan_hz] == pytest.approx(fan_counts, abs=1.0)
        assert rms[50.0] == pytest.approx(1.5, abs=0.5)


def test_filter_leaves_little_above_its_cutoff() -> None:
    """Sensor noise falls by more than 10 dB from 100 to 240 Hz (8th order: 12.8 dB)."""
    run = next(run for run in plan_runs(SETTINGS) if not run.wind_on)
    counts = make_run(run, RATE_HZ, seed=5).counts[:, 3].astype(np.float64)
    frequency_hz, psd = signal.welch(counts, RATE_HZ, nperseg=250)
    passed = psd[(frequency_hz > 80) & (frequency_hz < 120)].mean()
    stopped = psd[(frequency_hz > 235) & (frequency_hz < 245)].mean()

    # The rounding to counts leaves 1/12 count² of white noise everywhere.
    rounding = 1.0 / 12.0 / (RATE_HZ / 2.0)
    assert (stopped - rounding) < 0.1 * (passed - rounding)


def test_usable_band_is_a_little_less_than_the_whole(truth: dict[str, Any]) -> None:
    """Closed form for the wing's lift: arctangent for broadband, f⁻⁴ tail of the peak above 80 Hz.

    The tail of a resonance beyond f is A f0²B²/(3 f³), correct to (f0/f)² or 10 %.
    """
    lift = truth["configurations"]["wing"]["components"]["lift"]
    advection_hz = SPEED_M_S / STROUHAL_LENGTH_M
    x = 80.0 / (0.25 * advection_hz)
    broad = lift["rms"]["broadband"] ** 2 * 2 / np.pi * (x / (1 + x**2) + np.arctan(x))
    peak_hz = 0.25 * advection_hz
    tail = 2 * peak_hz**3 / 6 / (3 * np.pi * 80.0**3)
    peak = lift["rms"]["vertical shedding"] ** 2 * (1 - tail)

    assert lift["rms_to_usable"]["40 m/s"] ** 2 == pytest.approx(broad + peak, rel=5e-4)
    assert lift["usable_hz"] == 80.0
