"""Through the balance's resonance with an accelerometer on the model, on a rig solved in time."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis, analyse
from buffet.documents import dumps, spectra_document
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import run_result
from buffet.spectra_text import spectra_text
from buffet.spectral.uncertainty import half_value, log_estimate
from ingest import open_campaign
from tests.buffet.campaigns import delimited, write_sheet
from tests.buffet.rig_in_time import MASS_KG, RATE_HZ, Balance, carried, logged, planted_force
from tests.ingest.campaigns import toml

Array = NDArray[np.float64]

PRESSURE_AREA_N = 1000.0 * 0.2  # q · A
RMS_N, LOW_HZ, HIGH_HZ = 6.0, 1.0, 90.0
GRAVITY_M_S2 = 9.81
LIFT = {
    "column": "lift",
    "name": "lift",
    "measures": "lift",
    "unit": "N",
    "natural_frequency": "38 Hz",
    "damping": 0.02,
}
HEAVE = {
    "column": "heave",
    "name": "heave",
    "measures": "acceleration",
    "unit": "m/s^2",
    "at": ["0.02 m", "0 m", "0.15 m"],
    "direction": "z",
}
MODEL = {
    "scale": 0.3,
    "frontal_area": "0.2 m^2",
    "wheelbase": "0.775 m",
    "strouhal_length": "0.435 m",
    "mass": f"{MASS_KG} kg",
    "centre_of_gravity": ["0.02 m", "0 m", "0.15 m"],
}
CAMPAIGN = {"format": 1, "campaign": {"title": "Hatchback on a balance"}, "model": MODEL}


def campaign(
    folder: Path, runs: Mapping[str, tuple[Mapping[str, Array], dict[str, Any]]], **heave: Any
) -> Path:
    """Runs by number: samples by column, and further keys of [run]."""
    (folder / "runs").mkdir(parents=True)
    (folder / "campaign.toml").write_text(toml(CAMPAIGN), encoding="utf-8")
    for number, (samples, keys) in runs.items():
        run = {"number": number, "recording": f"{number}.csv", **keys}
        channels = [{"lift": LIFT, "heave": HEAVE | heave}[column] for column in samples]
        sheet = {"format": 1, "run": run, "sampling": {"rate": RATE_HZ}, "channel": channels}
        if keys["kind"] == "wind-on":
            sheet["air"] = {"dynamic_pressure": "1000 Pa"}
        write_sheet(folder, number, sheet)
        (folder / "runs" / f"{number}.csv").write_text(delimited(samples), encoding="utf-8")
    return folder


WIND: dict[str, Any] = {"kind": "wind-on", "configuration": "bare"}


def one_run(folder: Path, seed: int, *, accelerometer: bool, seconds: float = 60.0) -> RunAnalysis:
    """A planted force on the rig, logged with or without the accelerometer."""
    lift, heave = carried(planted_force(seed, seconds, RMS_N, LOW_HZ, HIGH_HZ), Balance())
    samples = {"lift": 40.0 + lift}
    if accelerometer:
        samples["heave"] = heave + GRAVITY_M_S2
    return analysed(campaign(folder, {"1": (samples, WIND)})).runs[0]


def analysed(folder: Path) -> CampaignAnalysis:
    """Every run."""
    found = analyse(open_campaign(folder))
    assert found.failed == ()
    return found


def lift_rms(run: RunAnalysis) -> tuple[float, float, float]:
    """Low, value and high of the lift's RMS in N."""
    samples = run.total_samples[:, 0] * PRESSURE_AREA_N**2
    interval = half_value(log_estimate(samples, run.resampling(0).blocks)).interval()
    assert interval.low is not None
    assert interval.high is not None
    return interval.low, interval.value, interval.high


@pytest.mark.parametrize(
    ("accelerometer", "reach_hz"),
    [(True, 250.0), (False, 30.4)],
    ids=["through the resonance", "below it"],
)
def test_the_planted_force_comes_back(tmp_path: Path, accelerometer: bool, reach_hz: float) -> None:
    """Force of 6 N, flat from 1 to 90 Hz, on a balance at 38 Hz that makes 24 N of it.

    With the accelerometer all of it, without it the part up to 0.8 · 38 Hz: the RMS lies inside
    its 95 % interval in at least ten of twelve records.
    """
    share = (min(reach_hz, HIGH_HZ) - LOW_HZ) / (HIGH_HZ - LOW_HZ)
    inside, values = 0, []
    for seed in range(12):
        run = one_run(tmp_path / str(seed), seed, accelerometer=accelerometer)
        assert run.signal.usable_hz[0] == pytest.approx(reach_hz)
        low, value, high = lift_rms(run)
        inside += low <= RMS_N * np.sqrt(share) <= high
        values.append(value)
    assert inside >= 10
    assert np.mean(values) == pytest.approx(RMS_N * np.sqrt(share), rel=0.02)


def test_the_spectrum_is_flat_through_the_resonance(tmp_path: Path) -> None:
    """The reading's density at 38 Hz is 1 / (2 ζ)² = 625 times the force's; corrected, it is one.

    The segments' bins of 0.1 Hz are averaged from 34 to 42 Hz: known to 3 %.
    """
    run = one_run(tmp_path, 5, accelerometer=True, seconds=120.0)
    frequency_hz = run.signal.frequency_hz
    level = RMS_N**2 / (HIGH_HZ - LOW_HZ) / PRESSURE_AREA_N**2
    near = (frequency_hz > 34) & (frequency_hz < 42)
    narrow = (frequency_hz > 37.2) & (frequency_hz < 38.8)

    assert run.signal.psd[0, near].mean() == pytest.approx(level, rel=0.1)
    assert run.signal.psd[0, narrow].mean() == pytest.approx(level, rel=0.25)
    assert run.spectra.psd[0, : len(narrow)][narrow].mean() > 100 * level * PRESSURE_AREA_N**2


def test_gravity_and_offset_leave_the_mean_alone(tmp_path: Path) -> None:
    """Without wind-off runs the accelerometer's 9.81 m/s² would make 589 N of 40."""
    run = one_run(tmp_path, 6, accelerometer=True)

    assert run.signal.mean[0] * PRESSURE_AREA_N == pytest.approx(40.0, abs=1.0)


def test_noise_of_the_accelerometer_goes_with_the_wind_off_run(tmp_path: Path) -> None:
    """0.1 m/s² of sensor noise is 6 N, as much as the force; the wind-off run takes it out."""
    rng = np.random.default_rng(7)
    lift, heave = carried(planted_force(7, 120.0, RMS_N, LOW_HZ, HIGH_HZ), Balance())
    still = rng.normal(size=(2, round(60 * RATE_HZ)))
    folder = campaign(
        tmp_path,
        {
            "0": ({"lift": 0.01 * still[0], "heave": 0.1 * still[1]}, {"kind": "wind-off"}),
            "1": (
                {"lift": lift, "heave": heave + 0.1 * rng.normal(size=len(heave))},
                WIND | {"zero_before": "0"},
            ),
        },
    )
    run = analysed(folder).runs[0]
    noise_n = np.sqrt(np.mean(run.noise[0].spectra.group_totals()[:, 0])) * PRESSURE_AREA_N
    low, _, high = lift_rms(run)

    assert noise_n == pytest.approx(6.0, rel=0.03)
    assert low < RMS_N < high


def test_a_wind_off_run_that_places_no_accelerometer_is_no_noise(tmp_path: Path) -> None:
    """Its sheet leaves out the direction, so that its channels do not combine; nothing breaks."""
    lift, heave = carried(planted_force(12, 20.0, RMS_N, LOW_HZ, HIGH_HZ), Balance())
    samples = {"lift": lift, "heave": heave}
    still = {word: 1e-3 * values for word, values in samples.items()}
    zero = WIND | {"zero_before": "0"}
    folder = campaign(tmp_path, {"0": (still, {"kind": "wind-off"}), "1": (samples, zero)})
    assert len(analysed(folder).runs[0].noise) == 1

    sheet = folder / "runs" / "0.toml"
    sheet.write_text(sheet.read_text().replace(', "direction" = "z"', ""))
    assert analysed(folder).runs[0].noise == ()


def test_a_dead_accelerometer_makes_the_force_unknown(tmp_path: Path) -> None:
    """Its constant zero would leave the resonance in."""
    lift, heave = carried(planted_force(8, 30.0, RMS_N, LOW_HZ, HIGH_HZ), Balance())
    folder = campaign(tmp_path, {"1": ({"lift": lift, "heave": 0 * heave}, WIND)})

    assert analysed(folder).runs[0].dead[0]


def test_spectra_say_what_was_removed(tmp_path: Path) -> None:
    """How large it was: the variance of m a over that of the reading, from the samples."""
    lift, heave = carried(planted_force(9, 30.0, RMS_N, LOW_HZ, HIGH_HZ), Balance())
    analysis = analysed(campaign(tmp_path, {"1": ({"lift": lift, "heave": heave}, WIND)}))
    results = (run_result(analysis.runs[0], lambda quantity: False),)
    found = json.loads(dumps(spectra_document(analysis, results)))["runs"][0]
    text = spectra_text(results)

    lift_found, heave_found = found["channels"]
    expected = (MASS_KG * heave).var() / lift.var()
    assert lift_found["inertia_removed"] is True
    assert lift_found["inertial_share"] == pytest.approx(expected, rel=0.05)
    assert (heave_found["inertia_removed"], heave_found["inertial_share"]) == (False, None)
    assert [finding["code"] for finding in found["findings"]].count("inertia-partly-corrected") == 0
    assert "The model's inertia is removed by its accelerometers." in text
    assert f"lift {lift_found['inertial_share']:.2g}" in text


def test_without_a_place_in_a_component_nothing_is_removed(tmp_path: Path) -> None:
    """An accelerometer across, direction y, tells nothing of lift, and the run says so."""
    lift, heave = carried(planted_force(10, 30.0, RMS_N, LOW_HZ, HIGH_HZ), Balance())
    folder = campaign(tmp_path, {"1": ({"lift": lift, "heave": heave}, WIND)}, direction="y")
    run = analysed(folder).runs[0]

    assert run.signal.quantities[0].inertial_row is None
    assert run.signal.usable_hz[0] == pytest.approx(30.4)
    (finding,) = [f for f in run.findings if f.code == "inertia-partly-corrected"]
    assert "it stays in lift (needs the acceleration in z)" in finding.message


def test_the_logged_rig_is_the_forces_own(tmp_path: Path) -> None:
    """F = m a + c v + k z at every logged sample, with v from the balance's own reading."""
    force = planted_force(11, 20.0, RMS_N, LOW_HZ, HIGH_HZ)
    lift, heave = carried(force, Balance())
    damping_per_stiffness = 2 * 0.02 / (2 * np.pi * 38.0)
    speed = np.gradient(lift, 1 / RATE_HZ)
    found = lift + damping_per_stiffness * speed + MASS_KG * heave

    assert np.std(found - logged(force)) < 0.05 * RMS_N
