"""Planning a campaign: each formula against a closed form, a published table or another library."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import pairwise
from math import inf, pi, sqrt
from pathlib import Path

import numpy as np
import pytest

from buffet.errors import PlanError
from buffet.planning.bandwidth import (
    record_for_rms_s,
    statistical_bandwidth_hz,
)
from buffet.planning.demands import Demand
from buffet.planning.expected import ExpectedSpectrum
from buffet.planning.order import mirrored, order_runs
from buffet.planning.plan import plan
from buffet.planning.records import plan_records
from buffet.planning.rig_needs import stiffness_n_m, tube_need
from buffet.planning.sampling import (
    butterworth_db,
    model_hz,
    rate_over_cutoff,
    road_hz,
    sampling,
    usual_rate_hz,
)
from buffet.planning.wind_speeds import spread_speeds, tells, wider_share
from buffet.planning.wishes import ASKED, EARLIER, Wishes, settle
from buffet.spectral.peak_model import resonance
from ingest import ROAD_AIR, Channel, CorrectionBounds, RigResponse, Tube, gas_at

RANDOM_ERRORS = Path(__file__).parents[1] / "published" / "random_errors.csv"
USUAL = Wishes(scale=0.3, strouhal_length_m=0.435, wind_speeds_m_s=(50.0,))
DEMAND = Demand("RMS", "bare", "lift", 0.05, 0.02, 0.0, 1, 1, 1e-9)


def test_an_even_band_has_its_own_width() -> None:
    """Of a band of 20 Hz: 20 Hz, whatever its level; with noise as strong a quarter of it."""
    frequency_hz = 10.05 + 0.1 * np.arange(200)
    even = np.full(200, 3.7)

    assert statistical_bandwidth_hz(frequency_hz, even) == pytest.approx(20.0)
    assert statistical_bandwidth_hz(frequency_hz, even, even) == pytest.approx(5.0)


def test_an_estimated_spectrum_is_not_taken_for_narrower_than_it_is() -> None:
    """Gamma variables of shape 10 about an even spectrum of 50 Hz, 20,000 bins: to 1 %."""
    estimated = np.random.default_rng(1).gamma(10.0, 0.1, 20_000)
    frequency_hz = np.linspace(0, 50, 20_000, endpoint=False)

    assert statistical_bandwidth_hz(frequency_hz, estimated, averages=10) == pytest.approx(50, 0.01)
    assert statistical_bandwidth_hz(frequency_hz, estimated) == pytest.approx(50 / 1.1, 0.01)


def test_a_resonance_is_pi_times_as_wide_as_at_half_power() -> None:
    """∫S = A π B / 2, ∫S² = A² π B / 4 of a Lorentzian; Q = 100 is one to a few tenths of %."""
    frequency_hz = np.arange(0.005, 400, 0.005)
    psd = resonance(frequency_hz, 2.0, 100.0, 1.0)

    assert statistical_bandwidth_hz(frequency_hz, psd) == pytest.approx(pi, rel=5e-3)


def test_the_error_of_an_rms_is_the_published_one() -> None:
    """Bendat & Piersol, Random Data, 8.2.2, by B T, to half its last digit."""
    with RANDOM_ERRORS.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["quantity"] == "rms"]
    assert len(rows) == 4
    for row in rows:
        amount = float(row["amount"])
        rounding = 2 * 5e-5 / float(row["printed"])
        found = record_for_rms_s(4.0, float(row["printed"]))
        assert found == pytest.approx(amount / 4, rel=rounding)


def test_a_lone_peaks_frequency_is_known_to_the_closed_form() -> None:
    """var f0 = B / (4 π T) of a Lorentzian, over 18/19 · 36/35 for half-overlapping Hann segments.

    I = T ∫ (2x / (x² + b²))² dx = T 2π / b with b = B / 2, from the derivative of ln S. The
    background's six terms cost what is left: 1.6 % at Q 100, 3 % at 50.
    """
    spectrum = ExpectedSpectrum(0.2, 100.0, 0.99999, (0.05, 0.6))
    bandwidth = 0.2 / 100
    closed = bandwidth / (4 * pi) / 0.2**2 / (18 / 19 * 36 / 35)

    assert spectrum.frequency_variance(bandwidth / 20) == pytest.approx(closed, rel=0.03)


def test_a_floor_and_wide_bins_cost_precision() -> None:
    """Half of the variance in the floor; bins as wide as the peak."""
    alone = ExpectedSpectrum(0.2, 6.0, 0.99, (0.05, 1.0))
    on_floor = replace(alone, share=0.5)

    assert on_floor.frequency_variance() > alone.frequency_variance()
    assert alone.frequency_variance(alone.bandwidth) > alone.frequency_variance()


def test_an_expected_spectrum_has_its_variance_in_the_band() -> None:
    """One, and the stated share of it in the peak's own part."""
    spectrum = ExpectedSpectrum(0.2, 6.0, 0.7, (0.05, 1.0))
    at = spectrum.points()
    step = at[1] - at[0]
    floor = spectrum.psd(np.array([0.9999]))[0]

    assert spectrum.psd(at).sum() * step == pytest.approx(1.0)
    assert floor * 0.95 == pytest.approx(0.3, rel=0.02)


@pytest.mark.parametrize("order", [2, 4, 8])
def test_the_filter_is_scipys(order: int) -> None:
    """Attenuation by `scipy.signal`'s analog Butterworth, and 40 dB where the rate folds."""
    from scipy.signal import butter, freqs

    zeros_poles = butter(order, 1.0, analog=True)
    ratio = rate_over_cutoff(order) - 0.7
    _, response = freqs(*zeros_poles, [1.7, ratio])

    assert butterworth_db(1.7, order) == pytest.approx(-20 * np.log10(abs(response[0])))
    assert -20 * np.log10(abs(response[1])) == pytest.approx(40.0)


def test_frequencies_are_carried_as_the_design_has_it() -> None:
    """38 Hz under a 30 % model at 40 m/s: 8 road hertz at 130 km/h, used up to 0.8 of it."""
    assert road_hz(0.8 * 38, 40.0, 130 / 3.6, 0.3) == pytest.approx(8, abs=0.5)
    assert model_hz(road_hz(30.0, 40.0, 30.0, 0.3), 40.0, 30.0, 0.3) == pytest.approx(30.0)


def test_rates_are_those_of_loggers() -> None:
    """The next of 1, 2, 2.5, 4, 5, 8 from there on; the cutoff leaves what is needed."""
    assert [usual_rate_hz(x) for x in (1000.0, 1001.0, 2300.0, 9.0)] == [1000, 2000, 2500, 10]
    found = sampling(150.0, 8, None)
    assert (found.rate_hz, found.cutoff_hz, found.is_enough) == (800, pytest.approx(220), True)
    short = sampling(150.0, 8, 250.0)
    assert (short.rate_hz, short.is_enough) == (250, False)
    assert short.folded_db >= 39.9


def test_stiffness_is_that_of_the_static_deflection() -> None:
    """A weight that sags by g / ω² on its spring swings at ω: k = m g / sag."""
    sag_m = 9.81 / (2 * pi * 50) ** 2
    assert stiffness_n_m(25.0, 50.0) == pytest.approx(25 * 9.81 / sag_m)


def test_the_longest_tube_just_reaches() -> None:
    """By the correction that recordings get; a tenth longer it ends before."""
    need = tube_need(1.5e-3, 300e-9, 150.0, CorrectionBounds())
    assert need.longest_m is not None
    assert not need.is_open
    gas = gas_at(ROAD_AIR.density_kg_m3, ROAD_AIR.static_pressure_pa, ROAD_AIR.viscosity_pa_s)
    rig = RigResponse(600.0, gas=gas)
    reached = []
    for length_m in (need.longest_m, 1.1 * need.longest_m):
        tubing = (Tube(length_m, 1.5e-3, 300e-9),)
        reached.append(rig.usable_to_hz(Channel("p", 0, "pressure", "Pa", 1.0, tubing=tubing)))
    assert reached[0] >= 150 * (1 - 1e-3) > reached[1]
    assert tube_need(0.1e-3, 300e-9, 150.0, CorrectionBounds()).longest_m is None


def test_without_scatter_an_rms_needs_the_published_length() -> None:
    """ε = 0.05 / 1.96 and c = 0.02 s: T = c / ε² = 30.73 s; halved by a repeat."""
    expected = 0.02 / (0.05 / 1.959964) ** 2
    assert DEMAND.record_needed_s(1) == pytest.approx(expected, rel=1e-4)
    assert DEMAND.record_needed_s(2) == pytest.approx(expected / 2, rel=1e-4)


@pytest.mark.parametrize(("cells", "student"), [(1, 12.706), (3, 3.182), (12, 2.179)])
def test_scatter_is_told_with_students_t(cells: int, student: float) -> None:
    """Two repeats of each cell give a degree of freedom a cell (printed tables of t, 97.5 %)."""
    one = replace(DEMAND, record=1e-12, run_to_run=0.02, cells=cells)
    assert one.half_width(2, 60.0) == pytest.approx(student * 0.02 / sqrt(2), rel=1e-3)


def test_what_no_run_narrows_stays() -> None:
    """1.96 · 0.03 of a fixed scatter is more than 5 %: no record and no repeat will do."""
    one = replace(DEMAND, fixed=0.03)
    assert one.record_needed_s(10) == inf
    assert one.repeats_needed(600.0, 100) is None
    assert one.scatter_needed(2, 600.0) is None
    assert one.half_width(10, 1e6) == pytest.approx(1.959964 * 0.03, rel=1e-3)


def test_scatter_and_repeats_that_would_do_do() -> None:
    """Put back in, they give the wanted half-width, and one repeat fewer does not."""
    one = replace(DEMAND, run_to_run=0.06, cells=6)
    assert one.record_needed_s(2) == inf
    scatter, repeats = one.scatter_needed(2, 600.0), one.repeats_needed(600.0, 100)
    assert scatter is not None
    assert repeats is not None
    assert replace(one, run_to_run=scatter).half_width(2, 600.0) == pytest.approx(0.05, rel=1e-6)
    assert one.half_width(repeats, 600.0) <= 0.05 < one.half_width(repeats - 1, 600.0)


def test_the_plan_takes_the_least_time() -> None:
    """No other number of repeats takes less time of records and runs."""
    demands = [replace(DEMAND, record=0.3, run_to_run=0.02, cells=6)]
    found = plan_records(demands, 0.5, None, 600.0, 120.0)

    def time_s(n: int) -> float:
        needed = max(demands[0].record_needed_s(n), (30 + 1) / 2 * 0.5)
        return n * (needed + 120) if needed <= 600 else inf

    assert found.repeats == min(range(2, 11), key=time_s)
    assert found.rules == "RMS"
    assert found.wishes[0].is_reached
    assert found.record_s >= demands[0].record_needed_s(found.repeats)


def test_who_asks_for_more_never_gets_less() -> None:
    """From within reach to far beyond; what is out of reach is missed by 3 % more than it must.

    The nearest there is, by every number of repeats with the longest run.
    """
    reached = []
    for wanted in (0.05, 0.04, 0.03, 0.02, 0.015, 0.01, 0.005, 0.001):
        one = plan(replace(USUAL, rms_within=wanted)).records.wishes[0]
        assert one.is_reached == (wanted >= 0.015)
        reached.append(one.half_width)
    assert all(later <= before for before, later in pairwise(reached))
    nearest = min(one.demand.half_width(n, 600.0) for n in range(2, 11))
    assert nearest <= reached[-1] <= 1.03 * nearest


def test_one_wish_out_of_reach_leaves_the_others_reached() -> None:
    """Nor is another's time wasted where repeats cannot help: fixed scatter, far from reach."""
    far = replace(DEMAND, wish="onset speed", within=0.001, fixed=0.05)
    near = replace(DEMAND, record=0.3, run_to_run=0.02, cells=6)
    found = plan_records([far, near], 0.5, None, 600.0, 120.0)
    assert [one.is_reached for one in found.wishes] == [False, True]
    alone = plan_records([near], 0.5, None, 600.0, 120.0)
    assert (found.repeats, found.record_s) == (alone.repeats, alone.record_s)


def test_what_is_asked_for_instead_is_reached() -> None:
    """The half-width that the shortfall names."""
    short = plan(replace(USUAL, rms_within=0.01)).shortfalls
    change = next(one.change for one in short if one.code == "rms-within")
    instead = float(change.split("ask for ±")[1].removesuffix(" %")) / 100
    assert plan(replace(USUAL, rms_within=instead)).is_reached


def test_a_drift_falls_on_all_alike() -> None:
    """Over two rounds each configuration, and each speed in it, has the same mean place."""
    runs = order_runs(("a", "b", "c"), (30.0, 40.0, 50.0), 4, 60.0, 20.0)
    on = [run for run in runs if run.wind_on]

    places = {
        name: np.mean([i for i, run in enumerate(runs) if run.configuration == name])
        for name in "abc"
    }
    speeds = {v: np.mean([i for i, r in enumerate(runs) if r.speed_m_s == v]) for v in (30, 40, 50)}
    assert set(places.values()) == set(speeds.values()) == {(len(runs) - 1) / 2}
    assert len(on) == 3 * 3 * 4
    assert runs == order_runs(("a", "b", "c"), (30.0, 40.0, 50.0), 4, 60.0, 20.0)
    by_number = {run.number: i for i, run in enumerate(runs)}
    for i, run in enumerate(runs):
        if run.wind_on:
            before, after = by_number[str(run.zero_before)], by_number[str(run.zero_after)]
            assert before < i < after
            assert not runs[before].wind_on
            assert runs[before].configuration == runs[after].configuration == run.configuration


def test_an_odd_round_is_drawn() -> None:
    """Each round holds all."""
    assert [sorted(one) for one in mirrored("abcde", 3, "x")] == [list("abcde")] * 3


def test_speeds_far_enough_apart_tell_flow_from_rig() -> None:
    """30, 40 and 50 m/s do, 40 and 41 do not; the wider ones that are named do."""
    known = (1e-4, 0.2 / 0.435, 150.0)
    assert all(tells((30.0, 40.0, 50.0), *known))
    assert not all(tells((40.0, 41.0), *known))
    share = wider_share(41.0, 3, *known)
    assert share is not None
    assert all(tells(spread_speeds(41.0, share), *known))
    assert wider_share(41.0, 3, 1.0, 0.2 / 0.435, 150.0) is None
    assert spread_speeds(50.0) == [30.0, 38.5, 50.0]


@pytest.mark.parametrize(
    ("fastest_m_s", "wanted"),
    [
        (50.0, [30.0, 38.5, 50.0]),
        (1.0, [0.6, 0.77, 1.0]),
        (0.3, [0.18, 0.232, 0.3]),
        (0.01, [0.006, 0.0077, 0.01]),
    ],
)
def test_slow_winds_stay_apart(fastest_m_s: float, wanted: list[float]) -> None:
    """0.6, √0.6 = 0.775 and 1 times the fastest, in steps of 1, 2 or 5 times a power of ten."""
    assert spread_speeds(fastest_m_s) == wanted
    found = plan(replace(USUAL, wind_speeds_m_s=(fastest_m_s,)))
    assert [one.speed_m_s for one in found.sweep.speeds] == wanted


def test_many_speeds_close_together_stay_apart() -> None:
    """Fifteen within 5 % of 41 m/s are not rounded onto one another."""
    speeds = spread_speeds(41.0, 0.95, 15)
    assert len(set(speeds)) == 15
    assert speeds == sorted(speeds)


def test_a_plan_hangs_together() -> None:
    """Bytes, runs and Reynolds numbers by hand: L = 0.435 m, ν = 1.51e-5 m²/s (typical)."""
    found = plan(replace(USUAL, channels=8, bytes_per_value=2.0, configurations=("a", "b")))
    seconds = sum(run.record_s for run in found.runs)

    assert found.is_reached
    assert found.storage.n_bytes == pytest.approx(8 * found.sampling.rate_hz * 2 * seconds)
    assert len(found.runs) == 2 * found.records.repeats * (3 + 2)
    assert found.sweep.fastest.reynolds == pytest.approx(50 * 0.435 / 1.51e-5, rel=0.01)
    assert found.sweep.fastest.shedding_hz == pytest.approx(0.2 * 50 / 0.435)
    assert found.sweep.slowest.needed_hz == pytest.approx(20 * 30 / (80 / 3.6 * 0.3))
    assert found.sampling.needed_to_hz == pytest.approx(20 * 50 / (80 / 3.6 * 0.3))


def test_a_narrow_peak_asks_for_finer_bins() -> None:
    """A quarter of St/Q, where the program takes a quarter of 0.1/6 by itself."""
    found = plan(replace(USUAL, quality=30.0))
    assert found.needs_resolution
    assert found.records.segment_s == pytest.approx(4 * 30 / 0.2 * 0.435 / 30)
    assert not plan(USUAL).needs_resolution


@pytest.mark.parametrize(
    ("change", "code", "named"),
    [
        ({"highest_rate_hz": 200.0}, "sample-rate", "sample at 531 Hz or more"),
        ({"natural_frequency_hz": 100.0}, "balance-frequency", "a natural frequency of 113 Hz"),
        ({"natural_frequency_hz": 10.0}, "peak-beyond-balance", "blow at 17 m/s at most"),
        ({"tube_bore_m": 1e-4}, "tubing", "a wider bore"),
        ({"wind_speeds_m_s": (40.0, 41.0)}, "flow-or-rig", "3 wind speeds, equal ratios"),
        ({"band_hz": (1.0, 5.0)}, "peak-outside-band", "a band of 1 to 12.3 Hz"),
        ({"longest_run_s": 20.0}, "resolution", "runs of 54 s"),
        ({"run_to_run": 0.5}, "rms-within", "in place of 50 %"),
        ({"onset_within": 0.01}, "onset-speed-within", "varies less over the wind speeds"),
        ({"strouhal_scatter": 0.9}, "strouhal-number-within", "in place of 90 %"),
    ],
)
def test_what_is_out_of_reach_is_told_with_what_would_do(
    change: dict[str, object], code: str, named: str
) -> None:
    """And nothing of the kind without that change."""
    found = {one.code: one for one in plan(replace(USUAL, **change)).shortfalls}  # type: ignore[arg-type]
    assert named in found[code].change
    assert code not in {one.code for one in plan(USUAL).shortfalls}


def test_what_would_do_does() -> None:
    """The natural frequency, wind speed and road speed named for a balance of 100 Hz."""
    short = replace(USUAL, natural_frequency_hz=100.0)
    for change in (
        {"natural_frequency_hz": 113.0},
        {"wind_speeds_m_s": (26.6, 40.0, 50.0)},
        {"road_speeds_m_s": (90 / 3.6, 160 / 3.6)},
    ):
        assert plan(replace(short, **change)).is_reached  # type: ignore[arg-type]


def test_values_come_from_the_wish_then_the_earlier_campaign_then_the_default() -> None:
    """With their source."""
    found = settle(replace(USUAL, scale=0.25), {"scale": 0.3, "channels": 7})
    told = {one.key: one for one in found.told}

    assert (told["scale"].value, told["scale"].source) == (0.25, ASKED)
    assert (told["channels"].value, told["channels"].source) == (7, EARLIER)
    assert told["strouhal"].is_default
    assert "engineering judgement" in told["strouhal"].source


@pytest.mark.parametrize(
    ("wishes", "message"),
    [
        (Wishes(scale=0.3), "a plan needs strouhal length .--length .* wind speeds"),
        (replace(USUAL, scale=1.2), "scale: got 1.2; wanted 1 at most"),
        (replace(USUAL, rms_within=2.0), "rms within: got 2; wanted 0.99 at most"),
        (replace(USUAL, repeats=11), "repeats: got 11; wanted 10 at most"),
        (replace(USUAL, quality=1.0), "quality: got 1; wanted 2 or more"),
        (replace(USUAL, strouhal=float("nan")), "strouhal: got nan; wanted more than zero"),
        (replace(USUAL, band_hz=(20.0, 1.0)), "band: got 20 to 1 Hz; wanted the lower first"),
        (replace(USUAL, configurations=("a", "a")), "got 'a' twice"),
        (replace(USUAL, configurations=(" ",)), "got an empty name"),
        (
            replace(USUAL, scale=0.001, band_hz=(0.01, 1000.0)),
            "a car of 435 m .length over scale. sheds at 0.01 Hz .* check scale and length",
        ),
        (replace(USUAL, run_to_run=1.5), "run to run: got 1.5; wanted 1 at most"),
    ],
)
def test_what_cannot_be_planned_is_refused(wishes: Wishes, message: str) -> None:
    """One message: what, what was given, what is wanted."""
    with pytest.raises(PlanError, match=message):
        plan(wishes)
