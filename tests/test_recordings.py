"""Real recordings, stated in run sheets alone and analysed by the command line.

The folder is named by the environment variable BUFFET_RECORDINGS; the files are not shipped.
Expected values are what their publishers print or say of them, never our own output.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray
from scipy import signal

from buffet.analysis import analyse
from buffet.cli import main
from buffet.one_pass import AnalysisSettings
from buffet.run_spectra import RunResult, run_result
from buffet.spectral.coherence import magnitude_squared
from buffet.spectral.engine import SegmentEngine
from buffet.spectral.segments import SegmentSettings, SegmentSpectra
from buffet.spectral.wavelet import INFLUENCE_PER_SCALE, frequency_hz, scales_between, transform
from buffet.taps.modes import TapModes, tap_modes
from ingest import open_campaign

Array = NDArray[np.float64]

FOLDER = Path(os.environ.get("BUFFET_RECORDINGS", ""))
pytestmark = pytest.mark.skipif(
    not os.environ.get("BUFFET_RECORDINGS"), reason="BUFFET_RECORDINGS names no folder"
)

YEAR_S = 365.25 * 86_400
CAMPAIGN = 'format = 1\n[campaign]\ntitle = "recordings of others"\n'
# The cylinder's diameter; area and wheelbase only matter for forces in newtons, which it has not.
CYLINDER_MODEL = """
[model]
scale = 1.0
frontal_area = "0.01 m^2"
wheelbase = "1 m"
strouhal_length = "0.1 m"
strouhal_length_is = "diameter"
"""
CYLINDER_AIR = '[air]\nspeed = "1 m/s"\ndensity = "1 kg/m^3"\nviscosity = "1e-3 Pa s"\n'
SONIC = "sonic_20hz/TOA5_Sonic_2026-03-26_00-03-23.dat.gz"
LOAD_CELLS = "loadcell_100hz/ReferenceStateForceAt100Hz.csv.zip"
SERIES = "psd_reference/tseries12.txt"


def channel(column: str | int, name: str, measures: str, unit: str) -> str:
    """A [[channel]] table."""
    shown = column if isinstance(column, int) else f'"{column}"'
    return (
        f'[[channel]]\ncolumn = {shown}\nname = "{name}"\nmeasures = "{measures}"\n'
        f'unit = "{unit}"\n'
    )


def campaign(folder: Path, recording: str, tables: str, model: str = "") -> Path:
    """A campaign of one run, its recording copied beside the sheet."""
    (folder / "runs").mkdir(parents=True)
    shutil.copy(FOLDER / recording, folder)
    (folder / "campaign.toml").write_text(CAMPAIGN + model)
    run = (
        'format = 1\n[run]\nnumber = "1"\nconfiguration = "as recorded"\nkind = "wind-on"\n'
        f'recording = "../{Path(recording).name}"\n'
    )
    (folder / "runs" / "1.toml").write_text(run + tables)
    return folder


def told(*arguments: str | Path) -> dict[str, Any]:
    """What a command prints as JSON."""
    result = CliRunner().invoke(main, [*map(str, arguments), "--json"])
    assert result.exit_code == 0, result.output
    document: dict[str, Any] = json.loads(result.stdout)
    return document


def run_of(folder: Path, *options: str) -> dict[str, Any]:
    """The one run of a campaign as `spectra` gives it."""
    (run,) = told("spectra", folder, "--what", "spectrum", *options)["runs"]
    return dict(run)


def by_name(run: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Channels by name."""
    return {one["name"]: one for one in run["channels"]}


def findings_of(folder: Path) -> dict[tuple[str, str | None], dict[str, Any]]:
    """Findings of `check` by code and channel."""
    return {(one["code"], one["channel"]): one for one in told("check", folder)["findings"]}


def cylinder(folder: Path, name: str, from_s: float) -> dict[str, Any]:
    """Lift and drag coefficients of the cylinder with one kind of control."""
    sampling = f'[sampling]\ntime_column = "Time"\nfrom = "{from_s} s"\n'
    sheet = CYLINDER_AIR + sampling + channel("Cl", "lift", "lift", "1")
    sheet += channel("Cd", "drag", "drag", "1")
    recording = f"cylinder2d_dfg/re100_coef_{name}.dat.gz"
    return run_of(campaign(folder, recording, sheet, CYLINDER_MODEL), "--what", "lines")


def test_cylinder_sheds_at_its_published_strouhal_number(tmp_path: Path) -> None:
    """St 0.295-0.305 (Schäfer & Turek 1996); lift at f with 0.63 ± 2 % RMS, drag 3.17 and at 2f.

    RMS and mean are those documented for this mesh; the published mean is 3.23.
    """
    run = cylinder(tmp_path / "uc", "uc", 5.0)
    lift, drag = by_name(run)["lift"], by_name(run)["drag"]

    assert 0.295 <= run["strouhal"]["value"] <= 0.305
    assert "drag shows twice this frequency" in run["strouhal_why"]
    assert lift["rms"]["value"] == pytest.approx(0.63, rel=0.02)
    assert drag["mean"]["value"] == pytest.approx(3.17, abs=0.005)
    strongest = [one["peaks"][0] for one in (lift, drag)]
    f, twice_f = (peak["frequency_hz"]["value"] for peak in strongest)
    assert twice_f == pytest.approx(2 * f, rel=0.01)
    assert [peak["kind"] for peak in strongest] == ["line", "harmonic"]
    # all of the lift is in that line: a sine of the RMS above
    assert strongest[0]["rms"]["value"] == pytest.approx(0.63, rel=0.03)
    lines = run["lines"]["lines"]  # to the F-test as well; nothing stated explains them
    assert [line["channels"][0] for line in lines[:2]] == ["lift", "drag"]
    assert 2.95 <= lines[0]["frequency_hz"]["value"] <= 3.05
    assert {line["source"] for line in lines} == {None}


def test_an_hour_of_turbulence_has_no_line(tmp_path: Path) -> None:
    """Whose level changes all the time: no line is to be expected of the atmosphere."""
    found = run_of(sonic(tmp_path / "sonic", '"999.999"'), "--what", "lines")["lines"]

    assert found["stretches"] > 1
    assert found["lines"] == []


@pytest.mark.parametrize(("name", "from_s", "rms"), [("cl", 2.81, 0.20), ("ol", 5.0, 0.21)])
def test_control_takes_two_thirds_of_the_lift_away(
    tmp_path: Path, name: str, from_s: float, rms: float
) -> None:
    """Lift RMS falls to about 0.20 and 0.21; `from` counts from the first time stamp, 2.19 s."""
    run = cylinder(tmp_path / name, name, from_s)

    assert by_name(run)["lift"]["rms"]["value"] == pytest.approx(rms, abs=0.006)
    assert run["duration_s"] == pytest.approx(3.0, abs=0.002)


def test_taps_follow_the_wake(tmp_path: Path) -> None:
    """53 of 54 taps are strongest at 3.04 Hz, one at twice that; below 2 Hz the control starts."""
    sheet = CYLINDER_AIR + '[sampling]\ntime_column = "t"\n'
    sheet += "".join(channel(8 + i, f"tap {i}", "pressure", "Pa") for i in range(54))
    recording = "cylinder2d_dfg/re100_closedloop_54taps.csv.gz"
    folder = campaign(tmp_path / "taps", recording, sheet, CYLINDER_MODEL)
    keeps = AnalysisSettings(keeps=frozenset({"matrix"}))
    (run,) = analyse(open_campaign(folder), None, keeps).runs
    spectra = run.spectra

    above = np.where(spectra.frequency_hz > 2.0, spectra.psd, 0.0)
    strongest = spectra.frequency_hz[above.argmax(axis=1)]
    at_f = np.abs(strongest - 3.04) < 0.6 * spectra.frequency_step_hz
    at_2f = np.abs(strongest - 6.08) < 0.6 * spectra.frequency_step_hz
    assert (at_f.sum(), at_2f.sum()) == (53, 1)
    few = {f"tap {i}" for i in range(0, 54, 9)}  # peaks of all 54 take a minute
    result = run_result(run, lambda quantity: quantity.name in few)
    assert result.strouhal is not None
    assert result.strouhal.value == pytest.approx(0.304, rel=0.01)
    _sheds_in_two_modes(result)


def _sheds_in_two_modes(result: RunResult) -> None:
    """What passes by takes two patterns a quarter of a period apart; below them next to nothing."""
    modes = tap_modes(result, range(54))

    assert isinstance(modes, TapModes)
    step_hz = result.analysis.spectra.frequency_step_hz
    assert modes.space.frequency_hz[:2] == pytest.approx([3.04, 3.04], abs=step_hz)
    assert modes.space.share[:2].sum() > 0.97
    shedding = modes.peaks[0]
    assert shedding.frequency_hz == pytest.approx(3.04, rel=0.02)
    assert shedding.share > 0.99


def sonic(folder: Path, missing: str) -> Path:
    """Three velocities of an hour of a logger's text file."""
    sheet = f'[sampling]\ntime_column = "TIMESTAMP"\n[file]\nmissing = [{missing}]\n'
    sheet += "".join(channel(name, name, "velocity", "m/s") for name in ("u_1", "v_1", "w_1"))
    return campaign(folder, SONIC, sheet)


def test_sonic_anemometer_without_its_marks(tmp_path: Path) -> None:
    """One hour at 20 Hz; vertical 0.89 m/s RMS; slope near -5/3 (Kolmogorov), here 1 to 5 Hz."""
    run = run_of(sonic(tmp_path / "sonic", '"999.999"'))
    channels = by_name(run)

    assert run["sample_rate_hz"] == 20.0
    assert run["duration_s"] == pytest.approx(3600.0)
    assert run["strouhal"] is None
    assert channels["w_1"]["rms"]["value"] == pytest.approx(0.89, abs=0.005)
    assert channels["w_1"]["unit"] == "m/s"
    frequency_hz = np.array(channels["u_1"]["frequency_hz"])
    inertial = (frequency_hz > 1.0) & (frequency_hz < 5.0)
    psd = np.array(channels["u_1"]["psd"])
    slope = np.polyfit(np.log(frequency_hz[inertial]), np.log(psd[inertial]), 1)[0]
    assert slope == pytest.approx(-5 / 3, abs=0.15)


def test_sonic_anemometer_with_its_marks(tmp_path: Path) -> None:
    """Vertical speed 6.5 m/s RMS, and `check` says which value did it."""
    folder = sonic(tmp_path / "sonic", "")

    rms = by_name(run_of(folder))["w_1"]["rms"]["value"]
    finding = findings_of(folder)["outlying-value", "w_1"]

    assert rms == pytest.approx(6.5, abs=0.05)
    assert "3 samples are 999.999" in finding["message"]


def test_load_cells(tmp_path: Path) -> None:
    """Stamps jitter 9/10/11 ms; the second cell changes every 100 samples: really 1 Hz."""
    # a third of the record: peaks of steps are looked for long
    sheet = '[sampling]\ntime_column = "Time (-)"\nto = "200 s"\n'
    sheet += "".join(channel(i, f"cell {i}", "other", "kN") for i in (1, 2))
    folder = campaign(tmp_path / "cells", LOAD_CELLS, sheet)

    found = findings_of(folder)
    run = run_of(folder)

    assert run["sample_rate_hz"] == 100.0
    assert run["duration_s"] == pytest.approx(200.0)
    assert "from 9 to 11 ms" in found["clock-jitter", None]["message"]
    assert "really about 1 Hz" in found["held-values", "cell 2"]["message"]
    assert ("held-values", "cell 1") not in found
    # a value held for a second has a spectrum of steps: lines at whole hertz
    lines_hz = [peak["frequency_hz"]["value"] for peak in by_name(run)["cell 2"]["peaks"]]
    np.testing.assert_allclose(lines_hz, np.rint(lines_hz), atol=0.02)
    assert run["strouhal"] is None


def test_sea_surface_temperature(tmp_path: Path) -> None:
    """504 quarters with a variance of 0.53817 (printed by Torrence & Compo's own program)."""
    sheet = '[sampling]\nrate = "4 1/year"\n' + channel(0, "sst", "temperature", "delta_degC")
    run = run_of(campaign(tmp_path / "nino3", "nino3/sst_nino3.dat", sheet))
    (sst,) = run["channels"]

    assert run["duration_s"] == pytest.approx(126 * YEAR_S)
    assert sst["rms"]["value"] ** 2 == pytest.approx(0.53817, abs=5e-6)
    assert sst["mean"]["value"] == pytest.approx(-0.000020, abs=5e-7)  # printed as such


def test_sunspots_come_every_eleven_years(tmp_path: Path) -> None:
    """Yearly numbers 1700-2008: period 10-11.5 years."""
    sheet = '[sampling]\ntime_column = "YEAR"\ntime_unit = "year"\n'
    sheet += channel("SUNACTIVITY", "sunspots", "other", "1")
    run = run_of(campaign(tmp_path / "sunspots", "sunspots/sunspots.csv", sheet))
    (spots,) = run["channels"]

    (peak,) = spots["peaks"]
    assert 10.0 < 1 / peak["frequency_hz"]["value"] / YEAR_S < 11.5
    assert run["strouhal"] is None


def test_wavelets_see_the_eleven_years_too() -> None:
    """Power averaged outside the cone of influence is largest at a period of 10-11.5 years."""
    table = np.loadtxt(FOLDER / "sunspots" / "sunspots.csv", delimiter=",", skiprows=1)
    scales = scales_between(1 / 64, 1 / 4, 24)
    power = np.abs(transform(table[:, 1], 1.0, scales)) ** 2
    year = np.arange(len(table))
    from_the_ends = np.minimum(year, year[::-1])
    trusted = from_the_ends >= INFLUENCE_PER_SCALE * scales[:, None]
    mean = np.average(power, axis=1, weights=trusted)
    assert 10 < 1 / frequency_hz(scales)[np.argmax(mean)] < 11.5


def two_series() -> Array:
    """Two series of 300 samples, one a row, ``(2, 300)``."""
    return np.asarray(np.loadtxt(FOLDER / SERIES), float)


def engine(samples: Array, length: int) -> SegmentSpectra:
    """Their spectra at one sample a second."""
    one = SegmentEngine(2, SegmentSettings(1.0, length, (0, 1)))
    one.push(samples)
    return one.finish()


def evaluated(samples: Array, window: Array, other: Array | None = None) -> Array:
    """Two-sided Welch spectra with half overlap and nothing removed, by scipy."""
    second = samples if other is None else other
    _, density = signal.csd(
        samples,
        second,
        window=window.tolist(),
        nperseg=len(window),
        detrend=False,
        return_onesided=False,
    )
    return np.asarray(density)


def printed(name: str) -> Array:
    """MATLAB's output as printed, eight digits."""
    return np.asarray(np.loadtxt(FOLDER / "psd_reference" / name), float)


def test_the_independent_evaluation_is_matlabs() -> None:
    """Symmetric Hann, nothing removed: cpsd of x2 + i x1 and mscohere to 5e-8, as printed."""
    first, second = two_series()
    whole = evaluated(second + 1j * first, signal.windows.hann(256))
    np.testing.assert_allclose(whole.real, printed("fxx_matlab.txt"), rtol=6e-8)

    narrow = signal.windows.hann(64)
    cross, one, two = (
        evaluated(*pair) for pair in ((second, narrow, first), (second, narrow), (first, narrow))
    )
    coherence = magnitude_squared(cross, one.real, two.real)
    np.testing.assert_allclose(coherence[:33], printed("cxy_matlab.txt"), rtol=6e-8)


@pytest.mark.parametrize("length", [64, 256])
def test_engine_is_the_evaluation_less_the_mean(length: int) -> None:
    """Evaluated with a periodic Hann and the record's mean removed, all agrees to rounding."""
    samples = two_series()
    ours = engine(samples, length)
    centred = samples - samples.mean(axis=1, keepdims=True)
    window = signal.windows.hann(length, sym=False)
    inside = slice(1, length // 2)  # bins of which a one-sided density holds two

    for row, one in zip(ours.psd, centred, strict=True):
        expected = 2 * evaluated(one, window).real[inside]
        np.testing.assert_allclose(row[inside], expected, rtol=1e-9)
    expected_cross = 2 * evaluated(centred[1], window, centred[0])[inside]
    np.testing.assert_allclose(ours.cross_psd(0, 1)[inside], expected_cross, rtol=1e-9)


def test_engine_beside_matlab() -> None:
    """Periodic window, mean removed: within 3 % of the largest density and 0.02 in coherence.

    MATLAB's spectrum of x2 + i x1 at f and at -f is together the sum of the one-sided densities
    of x1 and x2. Above 0.3 Hz the densities are so low that what each window leaks decides the
    coherence, and the two differ by up to 0.25.
    """
    samples = two_series()
    theirs = printed("fxx_matlab.txt")
    both = theirs[1:128] + theirs[:128:-1]
    ours = engine(samples, 256).psd[:, 1:128].sum(axis=0)
    assert np.abs(ours - both).max() < 0.03 * both.max()
    assert ours.sum() == pytest.approx(both.sum(), rel=0.01)

    narrow = engine(samples, 64)
    coherence = magnitude_squared(narrow.cross_psd(0, 1), *narrow.psd)
    low = slice(2, 20)
    np.testing.assert_allclose(coherence[low], printed("cxy_matlab.txt")[low], atol=0.02)


def test_command_line_gives_the_same_spectrum(tmp_path: Path) -> None:
    """One series a row, bins of 1/64 Hz: what `spectra` prints is the evaluation's density."""
    sheet = '[sampling]\nrate = "1 Hz"\n[file]\norientation = "rows"\n'
    sheet += channel(0, "first", "other", "1") + channel(1, "second", "other", "1")
    folder = campaign(tmp_path / "series", SERIES, sheet)
    run = run_of(folder, "--resolution", "0.015625 Hz")

    assert run["segment_s"] == 64.0
    _compare(run["channels"], two_series())


def _compare(channels: Sequence[dict[str, Any]], samples: Array) -> None:
    window = signal.windows.hann(64, sym=False)
    for one, series in zip(channels, samples, strict=True):
        frequency_hz = np.array(one["frequency_hz"])
        bins = np.rint(frequency_hz * 64).astype(int)
        inside = (bins > 0) & (bins < 32)
        expected = 2 * evaluated(series - series.mean(), window).real[bins[inside]]
        floor = 1e-10 * expected.max()  # transforms are single: some 110 dB
        np.testing.assert_allclose(np.array(one["psd"])[inside], expected, rtol=1e-6, atol=floor)
        assert one["mean"]["value"] == pytest.approx(series.mean(), abs=1e-6 * series.std())
