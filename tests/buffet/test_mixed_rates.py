"""A campaign whose taps were logged more slowly than its balance, analysed as one."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from buffet.cli import main
from tests.buffet.campaigns import CAMPAIGN, write_runs, write_sheet

SECONDS, FAST_HZ, SLOW_HZ, LINE_HZ = 120, 1000, 200, 12.5


@pytest.fixture(scope="module")
def spectra(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What `spectra` says of a line of 12.5 Hz in noise, a tap a quarter period behind lift."""
    folder = write_runs(tmp_path_factory.mktemp("rates") / "c", [], CAMPAIGN)
    rng = np.random.default_rng(20261126)
    fast, slow = np.arange(SECONDS * FAST_HZ) / FAST_HZ, np.arange(SECONDS * SLOW_HZ) / SLOW_HZ
    lift = 0.1 + 0.05 * np.sin(2 * np.pi * LINE_HZ * fast) + 0.1 * rng.standard_normal(fast.size)
    tap = 30 * np.sin(2 * np.pi * LINE_HZ * slow) + 40 * rng.standard_normal(slow.size)
    np.savez(folder / "runs" / "1.npz", lift=lift, tap=tap)
    channels = [
        {"column": "lift", "name": "lift", "measures": "lift", "unit": "1"},
        {"column": "tap", "name": "tap", "measures": "pressure", "unit": "Pa", "rate": "200 Hz"},
    ]
    run = {"number": "1", "recording": "1.npz", "kind": "wind-on", "configuration": "bare"}
    sampling = {"rate": "1 kHz", "resample_to": "500 Hz", "antialias_cutoff": "450 Hz"}
    sheet = {"format": 1, "run": run, "sampling": sampling, "channel": channels}
    write_sheet(folder, "1", sheet | {"air": {"speed": "40 m/s"}})
    done = CliRunner().invoke(main, ["spectra", str(folder), "--run", "1", "--json"])
    assert done.exit_code == 0, done.output
    (found,) = json.loads(done.stdout)["runs"]
    return dict(found)


def test_each_channel_is_used_as_far_as_its_own_sampling_lets_it(spectra: dict[str, Any]) -> None:
    """Lift to 0.8 of half the new rate; the tap to 0.8 of half its own."""
    lift, tap = spectra["channels"]

    assert spectra["sample_rate_hz"] == 500
    assert (lift["usable_to_hz"], tap["usable_to_hz"]) == (200, 80)
    assert max(tap["frequency_hz"]) <= 80


def test_the_noise_in_the_band_is_what_was_planted(spectra: dict[str, Any]) -> None:
    """White noise of variance s² over half the rate it was sampled at: 2 s² / rate, one-sided."""
    lift, tap = spectra["channels"]
    pressure_pa = spectra["dynamic_pressure_pa"]
    for channel, density in (
        (lift, 2 * 0.1**2 / FAST_HZ),
        (tap, 2 * (40 / pressure_pa) ** 2 / SLOW_HZ),
    ):
        frequency_hz, psd = np.array(channel["frequency_hz"]), np.array(channel["psd"])
        smooth = (frequency_hz > 2 * LINE_HZ) & (frequency_hz < 75)
        assert psd[smooth].mean() == pytest.approx(density, rel=0.05)


def test_the_line_is_found_at_its_frequency_in_both(spectra: dict[str, Any]) -> None:
    """By the peaks of each."""
    for channel in spectra["channels"]:
        nearest = min(abs(p["frequency_hz"]["value"] - LINE_HZ) for p in channel["peaks"])
        assert nearest < 0.01


def test_the_filter_is_judged_by_the_slowest_logged_rate(spectra: dict[str, Any]) -> None:
    """450 Hz lies below half of 1 kHz, but not below half of the tap's 200 Hz."""
    (found,) = [f for f in spectra["findings"] if f["code"] == "antialias-above-nyquist"]

    assert "450 Hz does not lie below 100 Hz" in found["message"]
