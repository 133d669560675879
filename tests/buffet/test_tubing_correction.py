"""Planted pressures at a tap, seen through a tube: what the analysis says of the tap."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import jv

from buffet.analysis import CampaignAnalysis, analyse
from buffet.documents import dumps, spectra_document
from buffet.run_spectra import RunResult, run_result
from buffet.spectra_text import spectra_text
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.reduction import reduce
from buffet.spectral.segments import SegmentSettings
from ingest import Channel, Quantity, RigResponse, open_campaign
from ingest.tubing import Tube, gas_at
from tests.buffet.campaigns import CAMPAIGN, RATE_HZ, PlantedRun, write_runs, write_sheet

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Stated for every run, so that a² = γ p / ρ is known by hand: 343.8 m/s.
AIR = {
    "dynamic_pressure": "1000 Pa",
    "density": 1.2,
    "viscosity": 1.82e-5,
    "static_pressure": 101325,
}
Q_PA = 1000.0
ROAD = 130 / 3.6 / np.sqrt(2 * Q_PA / 1.2) * 0.30  # model hertz to road hertz at 130 km/h
RESONANT = {"length": "1 m", "diameter": "1.5 mm", "volume": "300 mm^3"}  # peaks at 57 Hz
THIN = {"length": "1 m", "diameter": "0.5 mm", "volume": "300 mm^3"}
SECONDS = 120.0
PEAK_HZ, PEAK_WIDTH_HZ = 40.0, 4.0


def printed_response(frequency_hz: Array, tube: Mapping[str, str]) -> Complex:
    """A single tube as Bergh & Tijdeman 1965 print it, in J0 and J2."""
    length = float(tube["length"].split()[0])
    radius = float(tube["diameter"].split()[0]) / 2000
    volume = float(tube["volume"].split()[0]) * 1e-9
    omega = 2 * np.pi * np.maximum(frequency_hz, 1e-6)
    alpha = 1j**1.5 * radius * np.sqrt(1.2 * omega / 1.82e-5)
    warm = alpha * np.sqrt(0.707)
    n = 1 / (1 + 0.4 / 1.4 * jv(2, warm) / jv(0, warm))
    sound = np.sqrt(1.4 * 101325 / 1.2)
    phi = omega / sound * np.sqrt(jv(0, alpha) / jv(2, alpha)) * np.sqrt(1.4 / n)
    share = volume / (np.pi * radius**2 * length) / 1.4
    turn = phi * length
    return np.asarray(1 / (np.cosh(turn) + share * n * turn * np.sinh(turn)))


def through(tap: Array, tube: Mapping[str, str]) -> Array:
    """What the sensor reads of the tap's samples."""
    at = np.fft.rfftfreq(len(tap), 1 / RATE_HZ)
    return np.asarray(np.fft.irfft(np.fft.rfft(tap) * printed_response(at, tube), len(tap)))


def density(frequency_hz: Array) -> Array:
    """PSD at the tap, Pa²/Hz: a wake's peak on a background that falls."""
    peak = (PEAK_HZ * PEAK_WIDTH_HZ) ** 2 / (
        (frequency_hz**2 - PEAK_HZ**2) ** 2 + (frequency_hz * PEAK_WIDTH_HZ) ** 2
    )
    return np.asarray(2 * peak + 3 / (1 + (frequency_hz / 15) ** 2))


def planted(seed: int, seconds: float = SECONDS) -> Array:
    """Gaussian samples of that density."""
    n = round(seconds * RATE_HZ)
    at = np.fft.rfftfreq(n, 1 / RATE_HZ)
    parts = np.random.default_rng(seed).normal(size=(2, len(at)))
    size = np.sqrt(density(at) * n * RATE_HZ / 4)
    size[0] = 0
    return np.asarray(np.fft.irfft(size * (parts[0] + 1j * parts[1]), n))


def analysed(
    folder: Path,
    samples: Mapping[str, Array],
    tubing: Mapping[str, Any],
    noise: Mapping[str, Array] | None = None,
    **more: Any,
) -> CampaignAnalysis:
    """One run with these channels in Pa, some of them tubed, and a wind-off run of their noise."""
    units = dict.fromkeys(samples, "Pa")
    run = PlantedRun("1", samples, units=units, air=more.pop("air", AIR))
    runs = [run]
    if noise is not None:
        runs = [
            PlantedRun("0", noise, None, units),
            PlantedRun("1", samples, units=units, zero="0", air=AIR),
        ]
    write_runs(folder, runs, CAMPAIGN | more)
    for one in runs:
        sheet = one.sheet()
        for channel in sheet["channel"]:
            if channel["name"] in tubing:
                channel["tubing"] = tubing[channel["name"]]
        write_sheet(folder, one.number, sheet)
    return analyse(open_campaign(folder))


def result_of(analysis: CampaignAnalysis, *, peaks: bool = False) -> RunResult:
    """Of the wind-on run; peaks take most of the time."""
    assert not analysis.failed
    return run_result(analysis.runs[0], lambda quantity: peaks)


def test_the_tap_comes_back(tmp_path: Path) -> None:
    """RMS, PSD and the wake's peak are the tap's, within their own intervals; the tube's are not.

    The tube reads 1.6 times the pressure at the wake's 40 Hz and 2.1 times at its own 57 Hz.
    """
    sensor = through(planted(1), RESONANT)
    analysis = analysed(tmp_path, {"pressure": sensor}, {"pressure": RESONANT})
    (tap,) = result_of(analysis, peaks=True).quantities
    truth = np.sqrt(density(np.arange(0.005, RATE_HZ / 2, 0.01)).sum() * 0.01) / Q_PA

    assert tap.rms is not None
    assert tap.rms.low < truth < tap.rms.high
    assert sensor.std() / Q_PA > 1.2 * tap.rms.high
    (peak,) = tap.peaks
    assert peak.frequency_hz.low < PEAK_HZ < peak.frequency_hz.high
    assert peak.bandwidth_hz.low < PEAK_WIDTH_HZ < peak.bandwidth_hz.high
    inside = (tap.frequency_hz > 2) & (tap.frequency_hz < 120)
    ratio = tap.psd[inside] * Q_PA**2 / density(tap.frequency_hz[inside])
    low, high = tap.psd_factors
    covered = np.mean((ratio * low < 1) & (ratio * high > 1))
    assert covered > 0.92
    assert ratio.mean() == pytest.approx(1, abs=0.03)


def test_a_false_peak_of_the_tube_is_none_at_the_tap(tmp_path: Path) -> None:
    """Uncorrected, the tube's own resonance stands out as a second peak."""
    samples = {"pressure": through(planted(1), RESONANT)}
    (bare,) = result_of(analysed(tmp_path, samples, {}), peaks=True).quantities

    assert any(50 < peak.frequency_hz.value < 65 for peak in bare.peaks)
    assert bare.tubing is None
    assert bare.tubing_why == "no tubing is stated"


@pytest.mark.parametrize("tubed", ["pressure", "reference"])
def test_what_follows_a_probe_is_in_step_with_it(tmp_path: Path, tubed: str) -> None:
    """Tap = 0.7 of the probe, at once; either one through the tube: the phase is zero again."""
    probe, own = planted(2), 0.3 * planted(3)
    samples = {"pressure": 0.7 * probe + own, "reference": probe}
    samples[tubed] = through(samples[tubed], RESONANT)
    run = analysed(tmp_path, samples, {tubed: RESONANT}).runs[0]

    assert run.follows is not None
    inside = (run.signal.frequency_hz > 3) & (run.signal.frequency_hz < 95)
    response = run.follows.response[0, 0, inside] * Q_PA
    degrees = np.degrees(np.angle(response))
    scatter = np.sqrt((1 / run.follows.coherence[0, inside] - 1) / (2 * run.follows.averages))
    assert np.mean(np.abs(degrees) < np.degrees(1.96 * scatter)) > 0.9
    assert np.degrees(np.angle(response.mean())) == pytest.approx(0, abs=1)
    assert abs(response.mean()) == pytest.approx(0.7, rel=0.02)


def test_the_band_ends_where_the_amplification_would_exceed_its_bound(tmp_path: Path) -> None:
    """The printed formula says where; the warning, which length would reach 20 road hertz.

    That length, put into the printed formula, needs the bound at 20 road hertz.
    """
    sensor = through(planted(4), THIN)
    analysis = analysed(
        tmp_path, {"pressure": sensor}, {"pressure": THIN}, corrections={"largest_amplification": 3}
    )
    (tap,) = result_of(analysis).quantities
    fine = np.arange(0.1, 100, 0.01)
    end_hz = fine[np.argmax(np.abs(printed_response(fine, THIN)) < 1 / 3)]

    assert tap.usable_to_hz == pytest.approx(end_hz, abs=0.02)
    assert tap.frequency_hz[-1] <= end_hz
    assert tap.tubing is not None
    assert tap.tubing.largest_amplification == pytest.approx(3, rel=1e-3)
    # 8 μ L / (π R⁴ p) (V/k + V_t/2), by hand: 36.6 ms
    assert tap.tubing.lag_s == pytest.approx(36.6e-3, abs=0.05e-3)
    note, warning = (f for f in analysis.runs[0].findings if f.code.startswith("tubing"))
    assert (note.severity, note.code, note.channel) == ("note", "tubing-corrected", "pressure")
    assert "36.6 ms" in note.message
    assert f"up to {end_hz:.3g} Hz ({end_hz * ROAD:.3g} Hz on the road" in note.message
    assert (warning.severity, warning.code) == ("warning", "tubing-cuts-band")
    length = re.search(r"tubing of ([\d.]+) m at most", warning.advice)
    assert length is not None
    shorter = THIN | {"length": f"{length[1]} m"}
    (size,) = np.abs(printed_response(np.array([20 / ROAD]), shorter))
    assert size == pytest.approx(1 / 3, rel=0.08)  # the length is told to two digits


def test_a_wide_enough_band_is_no_warning(tmp_path: Path) -> None:
    """Up to half the sample rate: the tube takes nothing from it."""
    samples = {"pressure": through(planted(5, 30.0), RESONANT)}
    analysis = analysed(tmp_path, samples, {"pressure": RESONANT})

    assert result_of(analysis).quantities[0].usable_to_hz == RATE_HZ / 2
    assert [f.code for f in analysis.runs[0].findings if "tubing" in f.code] == ["tubing-corrected"]


def test_the_band_ends_where_noise_would_be_amplified(tmp_path: Path) -> None:
    """White noise of the sensor and of the wind-off run: half of the reading where S |H|² = N.

    A second tap with that noise and no tubing keeps its band.
    """
    fine = np.arange(1, 100, 0.01)
    read = density(fine) * np.abs(printed_response(fine, THIN)) ** 2
    noise_density = float(np.interp(25, fine, read))
    rng = np.random.default_rng(6)
    rms = np.sqrt(noise_density * RATE_HZ / 2)
    wind_off = {word: rms * rng.standard_normal(10_000) for word in ("pressure", "cabin pressure")}
    n = round(SECONDS * RATE_HZ)
    samples = {
        "pressure": through(planted(7), THIN) + rms * rng.standard_normal(n),
        "cabin pressure": planted(8) + rms * rng.standard_normal(n),
    }
    bounds = {"largest_amplification": 50}
    analysis = analysed(tmp_path, samples, {"pressure": THIN}, wind_off, corrections=bounds)
    tubed, bare = result_of(analysis).quantities

    assert tubed.usable_to_hz == pytest.approx(25, rel=0.15)
    assert bare.usable_to_hz == RATE_HZ / 2
    (warning,) = (f for f in analysis.runs[0].findings if f.code == "tubing-cuts-band")
    assert "would amplify the noise of the wind-off run" in warning.message


def test_water_is_not_corrected(tmp_path: Path) -> None:
    """A model of gas does not hold for it: said so, and the reading stays."""
    air = {"speed": "2 m/s", "density": "998 kg/m^3", "viscosity": "1e-3 Pa s"}
    samples = {"pressure": through(planted(9, 30.0), RESONANT)}
    analysis = analysed(tmp_path, samples, {"pressure": RESONANT}, air=air)
    (tap,) = result_of(analysis).quantities

    (finding,) = (f for f in analysis.runs[0].findings if "tubing" in f.code)
    assert (finding.severity, finding.code) == ("warning", "tubing-not-corrected")
    assert "is not air" in finding.message
    assert tap.tubing is None
    assert tap.tubing_why is not None
    assert "is not air" in tap.tubing_why
    # Parseval: half the bins' sum is the reading's variance over q², q = ½ 998 · 2²
    assert tap.rms is not None
    assert tap.rms.value == pytest.approx(samples["pressure"].std() / 1996, rel=0.02)


def test_equal_tubes_are_told_in_one_finding(tmp_path: Path) -> None:
    """Six taps alike: the first four by name."""
    samples = {"pressure": through(planted(10, 30.0), RESONANT)}
    write_runs(tmp_path, [PlantedRun("1", samples, units={"pressure": "Pa"}, air=AIR)])
    sheet = PlantedRun("1", samples, units={"pressure": "Pa"}, air=AIR).sheet()
    (channel,) = sheet["channel"]
    sheet["channel"] = [channel | {"name": f"p{i}", "tubing": RESONANT} for i in range(1, 7)]
    write_sheet(tmp_path, "1", sheet)
    findings = analyse(open_campaign(tmp_path)).runs[0].findings

    (finding,) = (f for f in findings if "tubing" in f.code)
    assert "the tubing of p1, p2, p3, p4 and 2 more is corrected" in finding.message
    assert finding.channel is None


def test_outputs_say_what_was_done(tmp_path: Path) -> None:
    """JSON and text."""
    tap = planted(11, 30.0)
    samples = {"pressure": through(tap, RESONANT), "cabin pressure": tap}
    analysis = analysed(tmp_path, samples, {"pressure": RESONANT})
    results = (result_of(analysis),)
    document = json.loads(dumps(spectra_document(analysis, results)))
    tubed, bare = document["runs"][0]["channels"]

    assert tubed["tubing"]["model"] == "Bergh and Tijdeman 1965"
    assert tubed["tubing"]["corrected_to_hz"] == RATE_HZ / 2
    assert 1.0 < tubed["tubing"]["largest_amplification"] < 1.5
    assert tubed["tubing_why"] is None
    assert (bare["tubing"], bare["tubing_why"]) == (None, "no tubing is stated")
    text = " ".join(spectra_text(results).split())
    assert "Tubing is corrected: pressure to 125 Hz (amplified by up to 1." in text


def test_slow_changes_of_a_tubed_tap_count_in_full() -> None:
    """A drift slower than a segment is in the moments and not in the bins, tube or no tube.

    The resonance of the tube, read with 20 times its variance at the tap, does not take it away.
    """
    n, length = 6000, 200
    time = np.arange(n) / n
    slow = 3 * np.cos(2 * np.pi * time)
    samples = np.array([slow + 0.1 * np.random.default_rng(12).standard_normal(n)])
    quantity = Quantity("p", "pressure", "Pa", np.ones(1))
    engine = SegmentEngine(1, SegmentSettings(RATE_HZ, length))
    engine.push(samples)
    spectra = engine.finish()
    gas = gas_at(1.2, 101325.0, 1.82e-5)
    bare, tubed = (
        reduce(
            spectra,
            [Channel("p", 0, "pressure", "Pa", 1.0, tubing=tubing)],
            [quantity],
            RigResponse(RATE_HZ, gas=gas),
        )
        for tubing in (None, (Tube(1.0, 1.5e-3, 300e-9),))
    )
    assert tubed.below_resolution[0] == pytest.approx(bare.below_resolution[0], rel=0.01)
    total = float(np.average(tubed.group_totals()[:, 0], weights=tubed.group_segments))
    assert total == pytest.approx(samples.var(), rel=0.01)


def test_a_band_of_next_to_nothing_is_borne(tmp_path: Path) -> None:
    """A hair-thin tube leaves less than two bins: an answer all the same, and a warning."""
    hair = {"length": "3 m", "diameter": "0.1 mm", "volume": "1 cm^3"}
    samples = {"pressure": planted(13, 30.0), "cabin pressure": planted(14, 30.0)}
    analysis = analysed(tmp_path, samples, {"pressure": hair})
    result = result_of(analysis, peaks=True)
    tap = result.quantities[0]

    assert tap.usable_to_hz < 0.1
    assert tap.peaks == ()
    dumps(spectra_document(analysis, (result,)))
    (warning,) = (f for f in analysis.runs[0].findings if f.code == "tubing-cuts-band")
    assert "use a wider tube" in warning.advice
