"""Record length: time scales and lengths needed, against closed forms and longer records."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.documents import dumps
from buffet.length.document import document
from buffet.length.needed import Needed, for_blocks, for_mean, for_normal
from buffet.length.part import Length, of_run
from buffet.length.text import text
from buffet.parts import PartSettings
from buffet.run_spectra import RunResult, run_result
from buffet.spectral.uncertainty import half_value, half_width, log_estimate, resample
from ingest import Finding, open_campaign
from tests.buffet.campaigns import lift_run, run_buffet, write_runs
from tests.thorough.records import RATE_HZ, Kind, Resonance, from_density
from tests.thorough.simulated import spectra_of

Array = NDArray[np.float64]
FAR = 1e6  # degrees of freedom


def test_half_widths_fall_with_the_root_of_the_length() -> None:
    """Of many blocks, a normal interval and a mean alike: twice as narrow in four times as long."""
    for found in (
        for_blocks(0.1, FAR, 0.05, 60.0),
        for_normal(0.1, 0.05, 60.0),
        for_mean(0.1, 0.0, FAR, True, 0.05, 60.0),
        for_mean(0.1, 0.0, 3.0, False, 0.05, 60.0),
    ):
        assert found is not None
        assert (found.half_width, found.times, found.record_s) == pytest.approx(
            (0.1, 4.0, 240.0), rel=1e-4
        )
        assert not found.is_reached


def test_few_blocks_gain_more_than_the_root() -> None:
    """From 8 to 16 blocks: t(15)/t(7) √(7/15) = 2.131/2.365 0.6831 = 0.6157 (printed tables)."""
    found = for_blocks(0.1, 8.0, 0.06157, 60.0)
    assert found is not None
    assert found.times == pytest.approx(2.0, rel=2e-3)


def test_what_the_zeros_leave_is_not_shortened_by_the_record() -> None:
    """0.05² = 0.09² / 5.0625 + 0.03²; and 0.06 of the zeros alone is out of reach."""
    found = for_mean(0.09, 0.03, FAR, True, 0.05, 60.0)
    assert found is not None
    assert found.times == pytest.approx(5.0625, rel=1e-4)
    assert found.half_width == pytest.approx(np.hypot(0.09, 0.03))
    assert for_mean(0.09, 0.06, FAR, True, 0.05, 60.0) is None


def rms_needed(records: Array, within: float, rng: np.random.Generator) -> list[Needed]:
    """Of the RMS of each record ``(n_records, n)``, as a run's is found."""
    found = []
    for signal in spectra_of(records):
        totals = signal.group_totals()
        drawn = resample(signal.group_segments, totals, rng)
        estimate = half_value(log_estimate(drawn.means(totals)[:, 0], drawn.blocks))
        interval = estimate.interval()
        assert interval.low is not None
        assert interval.high is not None
        half = float(np.log(interval.high / interval.low)) / 2
        needed = for_blocks(half, drawn.blocks, within, records.shape[1] / RATE_HZ)
        assert needed is not None
        found.append(needed)
    return found


@pytest.mark.parametrize(
    "kind",
    [Kind("white", 1.0), Kind("peaky, Q 12", 0.3, (Resonance(20.0, 20.0 / 12, 0.7),))],
    ids=lambda kind: kind.name,
)
def test_a_record_longer_by_the_stated_factor_reaches_the_half_width(kind: Kind) -> None:
    """Mean over 24 records; each half-width scatters by about 1/√(2 n_b), n_b near 40: 2 x 11 %."""
    rng = np.random.default_rng(5)
    within = 0.006 if kind.name == "white" else 0.025
    short = rms_needed(kind.records(24, 60.0, rng), within, rng)
    times = float(np.exp(np.mean(np.log([one.times for one in short]))))
    assert 1.5 < times < 8
    longer = rms_needed(kind.records(24, 60.0 * times, rng), within, rng)
    reached = np.exp(np.mean(np.log([one.half_width for one in longer])))
    assert reached == pytest.approx(within, rel=0.1)


@pytest.mark.parametrize("bandwidth_hz", [5.0, 20.0])
def test_the_rms_of_band_limited_noise_needs_the_published_length(bandwidth_hz: float) -> None:
    """ε = 1 / (2 √(B T)) (Bendat & Piersol, Random Data, 8.2): 1.96 ε = 0.02 where B T = 2401."""
    rng = np.random.default_rng(6)
    records = from_density(
        lambda f: np.where((f > 10) & (f < 10 + bandwidth_hz), 1.0, 0.0), 24, 60.0, rng
    )
    needed = [one.record_s for one in rms_needed(records, 0.02, rng)]
    assert np.exp(np.mean(np.log(needed))) * bandwidth_hz == pytest.approx(2401, rel=0.15)


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run of 60 s of noise with the correlation 0.9 from sample to sample."""
    rng = np.random.default_rng(7)
    run = lift_run("1", 0.02, seconds=60.0)
    steps = rng.standard_normal(len(run.samples["lift"]) + 500)
    noise = np.empty_like(steps)
    noise[0] = steps[0]
    for i in range(1, len(steps)):
        noise[i] = 0.9 * noise[i - 1] + steps[i]
    planted = replace(run, samples={"lift": 0.1 + 0.01 * noise[500:]})
    folder = write_runs(tmp_path_factory.mktemp("length") / "campaign", [planted])
    return run_result(analyse(open_campaign(folder)).runs[0], lambda _: False)


def test_a_record_of_known_correlation_is_worth_so_many_samples(result: RunResult) -> None:
    """AR(1): N (1 - φ) / (1 + φ) = 15,000 / 19; S(0) from a few bins scatters by 10 %."""
    found = of_run(result, PartSettings())
    assert isinstance(found, Length)
    (lift,) = found.quantities
    assert lift.independent == pytest.approx(15_000 / 19, rel=0.3)
    assert lift.time_scale_s == pytest.approx(60 / (2 * lift.independent))
    assert lift.mean is not None
    freedom = float(result.analysis.signal.mean_freedom[0])
    expected = float(half_width(np.asarray(1.0), freedom)) / np.sqrt(lift.independent)
    assert lift.mean.half_width == pytest.approx(expected)
    assert found.is_steady
    assert found.trends_told


def test_text_and_json_tell_the_same(result: RunResult) -> None:
    """80 columns; what is reached is said so."""
    found = of_run(result, PartSettings(within=0.5))
    assert isinstance(found, Length)
    told = text(found)
    assert told.startswith("Record length for ±50 % (95 %); 60 s were recorded.")
    assert max(map(len, told.splitlines())) <= 80
    assert "reached" in told
    assert "stationary" in told
    own = json.loads(dumps(document(found)))
    assert own["quantities"][0]["rms"]["reached"]
    assert own["strouhal_frequency"] is None
    assert own["strouhal_why"]


def test_a_drift_is_told(result: RunResult) -> None:
    """From the findings on the channels that a quantity rests on."""
    drift = Finding("warning", "mean-drifts", "1", "lift", "the mean rises.", "look")
    drifting = replace(result, analysis=replace(result.analysis, findings=(drift,)))
    found = of_run(drifting, PartSettings())
    assert isinstance(found, Length)
    assert found.quantities[0].drifts == ("mean",)
    assert "mean drifts" in text(found)
    assert "drifts, as here, needs more" in " ".join(text(found).split())


def test_the_command_tells_it(tmp_path: Path) -> None:
    """And refuses to draw what is a table alone."""
    folder = write_runs(tmp_path / "campaign", [lift_run("1", 0.02, seconds=20.0)])
    shown = run_buffet("spectra", folder, "--what", "length", "--within", "2 %")
    assert "Record length for ±2 %" in shown.stdout
    drawn = run_buffet("spectra", folder, "--what", "length", "-o", tmp_path / "x.png")
    assert drawn.exit_code == 1
    assert "length is a table alone" in drawn.stderr
