"""Damped oscillations fitted to free decays: closed forms, other fits, filters, second hits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.signal import butter, lfilter

from buffet.resonance.combining import combined
from buffet.resonance.decay import fit_decay
from buffet.resonance.double_hit import second_hit
from buffet.resonance.one_decay import OneDecay, Unusable, one_decay
from buffet.resonance.result import reached_at_hz
from buffet.resonance.strikes import Strike
from buffet.spectral.peak_model import resonance
from ingest import Channel
from tests.buffet.rig_in_time import RATE_HZ as RIG_RATE_HZ
from tests.buffet.rig_in_time import Balance, carried
from tests.buffet.tap_records import RATE_HZ, Array, Planted, noise, struck

LIFT = Channel("lift", 0, "lift", "N", 1.0)
# Share of critical, x5/x0 and (f2 - f1) / (2 f_n), from the closed forms δ = 2πζ/√(1-ζ²) and
# |H|² = 1/((1-r²)² + (2ζr)²), evaluated by hand to the digits given.
PRINTED = (
    (0.005, 0.85463, 0.005000),
    (0.01, 0.73039, 0.010001),
    (0.02, 0.53342, 0.020008),
    (0.05, 0.20747, 0.050126),
    (0.1, 0.04254, 0.101037),
)


@pytest.mark.parametrize(("damping", "x5_over_x0", "half_power"), PRINTED)
def test_crests_that_fall_as_printed_give_the_damping(
    damping: float, x5_over_x0: float, half_power: float
) -> None:
    """Five periods of 30 Hz lower, a crest is the printed share; the digits set the tolerance."""
    time_s = np.arange(2000) / RATE_HZ
    samples = x5_over_x0 ** (time_s * 30.0 / 5) * np.cos(2 * np.pi * 30.0 * time_s)

    mode = fit_decay(samples, RATE_HZ).modes[0]

    tolerance = 0.5e-5 / x5_over_x0 / 5 / (2 * np.pi)
    assert mode.damping == pytest.approx(damping, abs=2 * tolerance)
    assert mode.natural_hz == pytest.approx(30.0 / np.sqrt(1 - damping**2), rel=1e-5)


@pytest.mark.parametrize(("damping", "x5_over_x0", "half_power"), PRINTED)
def test_a_bandwidth_of_twice_the_damping_is_that_of_the_response(
    damping: float, x5_over_x0: float, half_power: float
) -> None:
    """The spectrum's fit has B = 2 ζ f_n: its half-power points lie as far apart as printed."""
    ratio = np.linspace(0.5, 1.5, 2_000_001)
    height = resonance(ratio, 1.0, 1.0, 2 * damping)
    above = ratio[height >= height.max() / 2]

    assert (above[-1] - above[0]) / 2 == pytest.approx(half_power, abs=1e-6)


@pytest.mark.parametrize(
    ("ratio", "damping", "amplification"),
    [(0.1, 0.01, 1.01010), (0.2, 0.01, 1.04166), (0.3, 0.02, 1.09881), (0.5, 0.05, 1.33038)],
)
def test_amplitude_errors_are_reached_where_printed(
    ratio: float, damping: float, amplification: float
) -> None:
    """The response of one degree of freedom, as printed to five digits."""
    reached = reached_at_hz(40.0, damping, amplification - 1)

    assert reached == pytest.approx(40.0 * ratio, rel=5e-4)


def test_five_and_ten_percent_are_reached_at_known_ratios() -> None:
    """Of a light damping, 1/(1 - r²): 0.218 and 0.302; a strong damping never amplifies."""
    assert reached_at_hz(1.0, 0.001, 0.05) == pytest.approx(0.218, abs=0.0005)
    assert reached_at_hz(1.0, 0.001, 0.10) == pytest.approx(0.302, abs=0.0005)
    assert reached_at_hz(1.0, 0.75, 0.05) is None


@pytest.mark.parametrize("damping", [0.002, 0.01, 0.05, 0.1, 0.25])
def test_a_decay_without_noise_is_fitted_exactly(damping: float) -> None:
    """One mode is found, and no second one in what rounding leaves."""
    (mode,) = fit_decay(struck([Planted(38.0, damping)], [(0.0, 1.0)], 4.0), RATE_HZ).modes

    assert mode.natural_hz == pytest.approx(38.0, rel=1e-6)
    assert mode.damping == pytest.approx(damping, rel=1e-4)


def test_values_and_errors_are_those_of_another_fit() -> None:
    """`scipy.optimize.curve_fit` of the same model, from the truth."""
    samples = struck([Planted(38.0, 0.02)], [(0.0, 1.0)], 2.0) + noise(0.03, 1000, 4)
    time_s = np.arange(1000) / RATE_HZ

    def model(t: Array, f: float, z: float, a: float, b: float, c: float, d: float) -> Array:
        omega = 2 * np.pi * f
        phase = omega * np.sqrt(1 - z**2) * t
        wave = a * np.cos(phase) + b * np.sin(phase)
        return np.asarray(np.exp(-z * omega * t) * wave + c + d * t)

    values, covariance = curve_fit(model, time_s, samples, (38.0, 0.02, 0.0, 1.0, 0.0, 0.0))
    (mode,) = fit_decay(samples, RATE_HZ).modes

    assert (mode.natural_hz, mode.damping) == pytest.approx(values[:2], rel=1e-5)
    errors = np.sqrt(np.diag(covariance))[:2] / values[:2]
    own = (mode.log_frequency_error, mode.log_damping_error)
    assert own == pytest.approx(errors, rel=0.15)  # ours takes the larger of two noise estimates


@pytest.mark.parametrize(("second_hz", "amplitude"), [(38.9, 0.7), (41.0, 0.3), (90.0, 0.2)])
def test_two_modes_of_one_channel_are_told_apart(second_hz: float, amplitude: float) -> None:
    """Within three standard errors, with an offset and a drift below them."""
    planted = [Planted(38.0, 0.01), Planted(second_hz, 0.015, amplitude)]
    samples = struck(planted, [(0.0, 1.0)], 6.0) + noise(0.01, 3000, 5)
    samples += 3.0 + 0.01 * np.arange(3000) / RATE_HZ

    modes = fit_decay(samples, RATE_HZ).modes

    assert len(modes) == 2
    for mode, truth in zip(modes, planted, strict=True):
        assert abs(np.log(mode.natural_hz / truth.natural_hz)) < 3 * mode.log_frequency_error
        assert abs(np.log(mode.damping / truth.damping)) < 3 * mode.log_damping_error


def test_a_filter_changes_neither_frequency_nor_damping() -> None:
    """A Butterworth filter of fourth order at 100 Hz, once its own transient is over."""
    samples = struck([Planted(38.0, 0.02)], [(0.0, 1.0)], 2.0)
    filtered = lfilter(*butter(4, 100.0, fs=RATE_HZ), samples)

    mode = fit_decay(filtered[30:], RATE_HZ).modes[0]

    assert mode.natural_hz == pytest.approx(38.0, rel=1e-4)
    assert mode.damping == pytest.approx(0.02, rel=1e-3)


def test_an_impulse_on_a_model_rings_at_the_balances_own_frequency() -> None:
    """Mass, spring and damper solved in time, struck for 1 ms: reading and acceleration agree."""
    force_n = np.zeros(64_000)
    force_n[40_000:40_008] = 500.0
    read, moved = carried(force_n, Balance(38.0, 0.02))

    for samples in (read, moved):
        mode = fit_decay(samples[10:], RIG_RATE_HZ).modes[0]
        assert mode.natural_hz == pytest.approx(38.0, rel=1e-4)
        assert mode.damping == pytest.approx(0.02, rel=2e-3)


def after_a_strike(samples: Array) -> OneDecay | Unusable:
    """As the command treats one channel."""
    strike = Strike(0.0, samples[None], np.array([True]), "end of record")
    return one_decay(strike, 0, LIFT, RATE_HZ)


@pytest.mark.parametrize("apart_s", [0.06, 0.1, 0.15])
def test_a_second_hit_is_seen(apart_s: float) -> None:
    """Half as strong, while the first still rings; the time is told to a few hundredths."""
    samples = struck([Planted(38.0, 0.01)], [(0.0, 1.0), (apart_s, 0.5)], 4.0)
    found = after_a_strike(samples + noise(0.002, 2000, 6))

    assert isinstance(found, Unusable)
    assert found.in_all
    told_s = float(found.why.removeprefix("struck again ").removesuffix(" s later"))
    assert told_s == pytest.approx(apart_s, abs=0.02)


@pytest.mark.parametrize("seed", range(20))
def test_a_free_decay_is_no_second_hit(seed: int) -> None:
    """With another mode, and with little noise or much."""
    planted = [Planted(38.0, 0.01), Planted(90.0, 0.02, 0.3)]
    samples = struck(planted, [(0.0, 1.0)], 4.0) + noise((0.002, 0.05)[seed % 2], 2000, seed)

    fit = fit_decay(samples[7:], RATE_HZ)

    assert second_hit(fit, fit.modes[0]) is None


def test_hum_stronger_than_the_decay_hides_nothing() -> None:
    """Of the mains and the mode, the mode alone rings; a second hit is seen through the hum."""
    hum = 2 * np.sin(2 * np.pi * 50.0 * np.arange(2000) / RATE_HZ) + noise(0.002, 2000, 10)
    once = after_a_strike(struck([Planted(38.0, 0.01)], [(0.0, 1.0)], 4.0) + hum)
    twice = after_a_strike(struck([Planted(38.0, 0.01)], [(0.0, 1.0), (0.1, 0.7)], 4.0) + hum)

    assert isinstance(once, OneDecay)
    assert [mode.natural_hz for mode in once.modes] == pytest.approx([38.0], rel=1e-3)
    assert once.modes[0].damping == pytest.approx(0.01, rel=0.01)
    assert isinstance(twice, Unusable)


def test_the_decrement_checks_the_fit() -> None:
    """Of one mode they agree to the scatter of the crests."""
    found = after_a_strike(struck([Planted(38.0, 0.02)], [(0.0, 1.0)], 2.0) + noise(0.003, 1000, 7))

    assert isinstance(found, OneDecay)
    assert found.decrement == pytest.approx(0.02, rel=0.05)


def test_a_reading_that_is_cut_off_is_clipped() -> None:
    """At a stated full scale, or at a top that many samples share."""
    samples = np.round(1000 * struck([Planted(38.0, 0.01)], [(0.0, 1.0)], 4.0))
    stated = Channel("lift", 0, "lift", "N", 1.0, full_scale_raw=600.0)
    strike = Strike(0.0, np.clip(samples, -600, 600)[None], np.array([True]), "end of record")

    assert after_a_strike(strike.samples[0]) == Unusable("clipped")
    assert one_decay(strike, 0, stated, RATE_HZ) == Unusable("clipped")
    assert isinstance(after_a_strike(samples), OneDecay)


@pytest.mark.parametrize(
    ("samples", "why"),
    [
        (struck([Planted(38.0, 0.6)], [(0.0, 1.0)], 1.0), "too high"),
        (struck([Planted(38.0, 0.001)], [(0.0, 1.0)], 0.1), "a decay needs 5 periods"),
        (np.where(np.arange(1000) > 3, 1.0, 0.0) + noise(0.01, 1000, 8), "no oscillation follows"),
        (np.sin(2 * np.pi * 50 * np.arange(2000) / RATE_HZ), "does not decay"),
        (np.ones(10), "a decay needs 5 periods"),
    ],
)
def test_what_cannot_be_used_says_why(samples: Array, why: str) -> None:
    """Overdamped, too short, a step, a steady tone, hardly a sample."""
    found = after_a_strike(samples)

    assert isinstance(found, Unusable)
    assert why in found.why


def test_strikes_are_combined_as_published() -> None:
    """Equal errors, no scatter beyond them: the mean's standard error; with scatter Student's t.

    Values 1, 2, 4 on the log scale have the standard deviation ln 2, and t of two degrees of
    freedom is 4.303 (tables of Student's t).
    """
    alike = combined([10.0, 10.0, 10.0, 10.0], [0.02] * 4)
    assert alike.high == pytest.approx(10 * np.exp(1.959964 * 0.01), rel=1e-6)
    apart = combined([1.0, 2.0, 4.0], [1e-4] * 3)
    assert apart.value == pytest.approx(2.0, rel=1e-6)
    assert apart.high == pytest.approx(2 * np.exp(4.303 * np.log(2) / np.sqrt(3)), rel=1e-3)
    (single,) = {combined([5.0], [0.1])}
    assert single.low == pytest.approx(5 * np.exp(-0.1959964), rel=1e-6)
