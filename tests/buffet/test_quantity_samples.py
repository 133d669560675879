"""Quantities over time from the copy: the planted force at its times, as the spectra have it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buffet.analysis import AnalysisSettings, analyse
from buffet.quantity_samples import quantity_samples, true_to_hz
from buffet.run_analysis import RunAnalysis
from buffet.spectral.decimated import Decimator
from ingest import open_campaign
from tests.buffet.rig_in_time import Balance, carried, logged, planted_force
from tests.buffet.test_inertia import PRESSURE_AREA_N, RATE_HZ, WIND, campaign

RMS_N = 6.0
MEAN_N = 60.0


def with_copy(folder: Path, wanted_to_hz: float) -> RunAnalysis:
    """The analysis of run 1 with a copy of its samples up to a frequency."""
    analysis = analyse(open_campaign(folder)).runs[0]
    decimator = Decimator(len(analysis.run.channels), analysis.sample_rate_hz, wanted_to_hz)
    for block in analysis.run.open().blocks():
        decimator.push(block)
    return replace(analysis, copy=decimator.finish())


@pytest.mark.parametrize("wanted_to_hz", [25.0, 90.0])
def test_the_force_behind_a_resonance_is_recovered_in_time(
    tmp_path: Path, wanted_to_hz: float
) -> None:
    """Force below 20 Hz on a balance of 38 Hz, solved in time: it reads up to 1.38 times that."""
    force = planted_force(3, 30.0, RMS_N, 1.0, 20.0)
    read, _ = carried(force, Balance())
    folder = campaign(tmp_path / "rig", {"1": ({"lift": read + MEAN_N}, WIND)})
    analysis = with_copy(folder, wanted_to_hz)
    assert analysis.copy is not None
    planted = np.interp(analysis.copy.time_s, np.arange(len(read)) / RATE_HZ, logged(force))
    found = quantity_samples(analysis)[0] * PRESSURE_AREA_N - MEAN_N
    inner = slice(20, -20)
    off = np.sqrt(np.mean((found - planted)[inner] ** 2)) / RMS_N
    as_read = np.sqrt(np.mean((analysis.copy.channel(0) - MEAN_N - planted)[inner] ** 2)) / RMS_N
    assert off < 0.01
    assert as_read > 0.1
    assert true_to_hz(analysis, 0) == min(analysis.copy.to_hz, 0.8 * 38)


def test_mean_and_variance_are_those_of_the_spectra(tmp_path: Path) -> None:
    """Over the usable band, which a resonance ends."""
    force = planted_force(4, 60.0, RMS_N, 1.0, 90.0)
    read, _ = carried(force, Balance())
    folder = campaign(tmp_path / "rig", {"1": ({"lift": read + MEAN_N}, WIND)})
    analysis = with_copy(folder, 90.0)
    samples = quantity_samples(analysis, [0])
    assert samples.mean() == pytest.approx(float(analysis.signal.mean[0]), rel=1e-3)
    assert samples.var() == pytest.approx(float(analysis.total_samples[0, 0]), rel=0.02)


def test_the_one_pass_keeps_the_copy_where_it_is_asked_for(tmp_path: Path) -> None:
    """Up to a Strouhal number of 2.5, whatever the rate; channels and times as the record's."""
    lift = np.sin(2 * np.pi * 5.0 * np.arange(15_000) / RATE_HZ) + MEAN_N
    folder = campaign(tmp_path / "rig", {"1": ({"lift": lift}, WIND)})
    settings = AnalysisSettings(keeps=frozenset({"copy"}))
    copy = analyse(open_campaign(folder), settings=settings).runs[0].copy
    assert copy is not None
    wanted_hz = 2.5 * np.sqrt(2 * 1000 / 1.2) / 0.435  # of 1000 Pa in air of about 1.2 kg/m³
    assert min(0.8 * 38, wanted_hz) == 0.8 * 38  # the balance ends before it
    assert copy.to_hz == 0.4 * RATE_HZ / 4
    expected = np.sin(2 * np.pi * 5.0 * copy.time_s) + MEAN_N
    np.testing.assert_allclose(copy.channel(0), expected, atol=2e-3)


def test_a_run_without_a_copy_says_so(tmp_path: Path) -> None:
    """It is only made where it is asked for."""
    read, _ = carried(planted_force(5, 30.0, RMS_N, 1.0, 20.0), Balance())
    analysis = analyse(open_campaign(campaign(tmp_path / "rig", {"1": ({"lift": read}, WIND)})))
    bare = replace(analysis.runs[0], copy=None)
    assert true_to_hz(bare, 0) is None
    with pytest.raises(ValueError, match="without a copy"):
        quantity_samples(bare)
