"""Samples at the tap: a planted pressure comes back through its tube, at its own moments."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest import Channel, CorrectionBounds, Record, RigResponse, open_at_taps, open_campaign
from ingest.tube_filter import TubeFilter, inverse_kernel
from ingest.tubing import Tube, gas_at
from tests.buffet.campaigns import CAMPAIGN, RATE_HZ, PlantedRun, write_runs, write_sheet
from tests.buffet.test_tubing_correction import AIR, RESONANT, THIN, printed_response

Array = NDArray[np.float64]

GAS = gas_at(1.2, 101325.0, 1.82e-5)
TUBES = {
    "resonant": (Tube(1.0, 1.5e-3, 300e-9), RESONANT),
    "thin": (Tube(1.0, 0.5e-3, 300e-9), THIN),
}


def tap(tube: Tube) -> Channel:
    """A tap behind this tube."""
    return Channel("p", 0, "pressure", "Pa", 1.0, tubing=(tube,))


def band_limited(seed: int, n: int, to_hz: float) -> Array:
    """Gaussian samples with nothing from this frequency on."""
    parts = np.random.default_rng(seed).normal(size=(2, n // 2 + 1))
    parts[:, np.fft.rfftfreq(n, 1 / RATE_HZ) >= to_hz] = 0
    signal = np.fft.irfft(parts[0] + 1j * parts[1], n)
    return np.asarray(signal / signal.std())


def filtered(samples: Array, kernels: dict[int, Array], cuts: list[int]) -> Array:
    """The whole stream, cut into blocks at these places."""
    stream = TubeFilter(len(samples), kernels)
    blocks = np.split(samples, sorted(cuts), axis=1)
    out = [one for block in blocks for one in stream.push(block)]
    return np.concatenate([*out, *stream.finish()], axis=1)


@pytest.mark.parametrize("name", TUBES)
def test_the_taps_samples_come_back(name: str) -> None:
    """Within a thousandth of the RMS, away from the ends, for what lies in the band.

    The sensor's samples are the tap's times the response as the authors print it, line by line of
    a periodic record; the thin tube lags by 37 ms, nine samples.
    """
    tube, words = TUBES[name]
    kernel, to_hz = inverse_kernel(RigResponse(RATE_HZ, gas=GAS), tap(tube))
    n = 20_000
    truth = band_limited(1, n, 0.98 * to_hz)
    response = printed_response(np.fft.rfftfreq(n, 1 / RATE_HZ), words)
    sensor = np.fft.irfft(np.fft.rfft(truth) * response, n)
    other = np.random.default_rng(2).standard_normal(n)

    found = filtered(np.array([sensor, other]), {0: kernel}, [7000])

    half = len(kernel) // 2
    assert found.shape == (2, n)
    np.testing.assert_array_equal(found[1], other)
    inside = slice(half, n - half)
    assert np.abs(found[0] - truth)[inside].max() < 1e-3
    assert np.abs(sensor - truth)[inside].max() > 1


def test_nothing_comes_from_beyond_the_band() -> None:
    """A line at 1.3 times the end of a thin tube's band, where the correction stops."""
    kernel, to_hz = inverse_kernel(RigResponse(RATE_HZ, gas=GAS), tap(TUBES["thin"][0]))
    line = np.cos(2 * np.pi * 1.3 * to_hz * np.arange(20_000) / RATE_HZ)
    inside = slice(len(kernel) // 2, -(len(kernel) // 2))
    found = filtered(line[None], {0: kernel}, [])
    assert np.abs(found[0, inside]).max() < 1e-3


def test_the_bound_holds_at_every_frequency() -> None:
    """The kernel's own response: never above a stated 2, and one at rest."""
    rig = RigResponse(RATE_HZ, bounds=CorrectionBounds(largest_amplification=2), gas=GAS)
    kernel, to_hz = inverse_kernel(rig, tap(TUBES["thin"][0]))
    response = np.abs(np.fft.rfft(kernel, 1 << 17))
    at = np.fft.rfftfreq(1 << 17, 1 / RATE_HZ)
    assert response.max() < 2.001
    assert response[0] == pytest.approx(1, abs=1e-12)
    assert np.interp(to_hz, at, response) == pytest.approx(2, rel=5e-3)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 40_000), st.lists(st.integers(0, 40_000), max_size=6))
def test_blocks_make_no_difference(n: int, cuts: list[int]) -> None:
    """To the last bit, for records of any length, shorter than a kernel too."""
    samples = np.random.default_rng(n).standard_normal((3, n))
    rig = RigResponse(RATE_HZ, gas=GAS)
    kernels = {
        i: inverse_kernel(rig, tap(TUBES[w][0]))[0] for i, w in ((0, "thin"), (2, "resonant"))
    }
    whole = filtered(samples, kernels, [])
    assert whole.shape == (3, n)
    np.testing.assert_array_equal(filtered(samples, kernels, [min(c, n) for c in cuts]), whole)


def test_a_constant_stays_to_the_ends() -> None:
    """The value held before the first sample is the first one's."""
    kernel, _ = inverse_kernel(RigResponse(RATE_HZ, gas=GAS), tap(TUBES["thin"][0]))
    found = filtered(np.full((1, 3000), 7.0), {0: kernel}, [100])
    np.testing.assert_allclose(found, 7.0, rtol=1e-12)


def test_a_hair_thin_tube_still_has_a_filter() -> None:
    """A band of less than a tenth of a hertz: a kernel of bounded length, and a mean that stays."""
    kernel, to_hz = inverse_kernel(RigResponse(RATE_HZ, gas=GAS), tap(Tube(3.0, 5e-5, 1e-6)))
    assert to_hz < 0.1
    assert len(kernel) < 1 << 20
    assert kernel.sum() == pytest.approx(1)


def test_no_tubed_row_no_change() -> None:
    """Frames or not."""
    samples = np.random.default_rng(3).standard_normal((2, 30_000))
    np.testing.assert_array_equal(filtered(samples, {}, [5]), samples)


@pytest.fixture
def planted(tmp_path: Path) -> tuple[Path, dict[str, Any]]:
    """A campaign of one run: a tubed tap and one at the surface, which reads the same pressure."""
    n = 15_000
    truth = 30 + band_limited(4, n, 100.0)
    response = printed_response(np.fft.rfftfreq(n, 1 / RATE_HZ), RESONANT)
    sensor = np.fft.irfft(np.fft.rfft(truth) * response, n)
    samples = {"pressure": sensor, "cabin pressure": truth}
    run = PlantedRun("1", samples, units=dict.fromkeys(samples, "Pa"), air=AIR)
    write_runs(tmp_path / "c", [run], CAMPAIGN)
    sheet = run.sheet()
    sheet["channel"][0]["tubing"] = RESONANT
    write_sheet(tmp_path / "c", "1", sheet)
    return tmp_path / "c", sheet


def whole(record: Record) -> Array:
    """All samples."""
    return np.concatenate(list(record.blocks()), axis=1)


def test_a_run_is_opened_at_its_taps(planted: tuple[Path, dict[str, Any]]) -> None:
    """Both taps read alike, the means are kept, and the provenance says how it was done."""
    record = open_at_taps(open_campaign(planted[0]).run("1"))
    tubed, bare = whole(record)
    (step,) = [one for one in record.provenance.steps if one.name == "correct tubing"]
    reach = round(step.settings["ends_reach_s"] * RATE_HZ)

    assert record.n_samples == len(tubed) == 15_000
    assert np.abs(tubed - bare)[reach:-reach].max() < 2e-3
    assert tubed.mean() == pytest.approx(30, abs=0.01)
    done = step.settings["channels"]["pressure"]
    assert done["model"] == "Bergh and Tijdeman 1965"
    assert done["corrected_to_hz"] == pytest.approx(0.9 * RATE_HZ / 2)
    assert step.settings["ends"] == "first and last value held"
    assert step.settings["gas"]["density_kg_m3"] == 1.2


def test_without_tubes_the_record_is_as_opened(planted: tuple[Path, dict[str, Any]]) -> None:
    """No step, and the same samples."""
    folder, sheet = planted
    del sheet["channel"][0]["tubing"]
    write_sheet(folder, "1", sheet)
    run = open_campaign(folder).run("1")
    record, plain = open_at_taps(run), run.open()
    np.testing.assert_array_equal(whole(record), whole(plain))
    assert record.provenance.steps == plain.provenance.steps
