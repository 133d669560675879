"""Calibrated samples written for other programs, and read again by theirs and by ours."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from pyarrow import parquet
from scipy.io import loadmat

from buffet.cli import main
from buffet.exporting.columnar import hdf5_sink
from buffet.exporting.matlab import variable_names
from buffet.exporting.sink import Header
from ingest import Channel, open_campaign, zeros_of
from tests.buffet.campaigns import CAMPAIGN, PlantedRun, write_runs, write_sheet

Array = NDArray[np.float64]

NAMES = ("drag", "lift", "tailgate left, top")
UNITS = ("N", "N", "Pa")
SCALES = (250.0, -125.0, 5.0)  # SI per volt
N, RATE_HZ = 70_001, 250.0  # more than one block


def volts(seed: int) -> Array:
    """What the logger wrote, (3, N) in volts with four decimals."""
    return np.round(np.random.default_rng(seed).normal(0.5, 1.0, (3, N)), 4)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wind-off and a wind-on run of two loads and a tap, logged in volts."""
    folder = tmp_path_factory.mktemp("exporting")
    words = ("drag", "lift", "pressure")
    runs = [
        PlantedRun("1", dict(zip(words, volts(1), strict=True)), None),
        PlantedRun("2", dict(zip(words, volts(2), strict=True)), zero="1"),
    ]
    write_runs(folder / "c", runs, CAMPAIGN)
    for run in runs:
        sheet = run.sheet()
        for channel, name, unit, scale in zip(sheet["channel"], NAMES, UNITS, SCALES, strict=True):
            channel |= {"name": name, "unit": "V", "gain": f"{scale:g} {unit}/V"}
        write_sheet(folder / "c", run.number, sheet)
    return folder / "c"


@pytest.fixture(scope="module")
def truth() -> Array:
    """Gain times volts, less the wind-off run's mean of the loads: by plain arithmetic."""
    scale = np.array(SCALES)[:, None]
    return np.asarray(scale * (volts(2) - volts(1).mean(axis=1, keepdims=True)))


def export(folder: Path, output: Path, number: str = "2") -> Result:
    """One run through the command line."""
    return CliRunner().invoke(main, ["export", str(folder), "--run", number, "-o", str(output)])


def from_hdf5(path: Path) -> tuple[Array, list[str], float, str]:
    """Samples, units, rate and provenance by h5py."""
    with h5py.File(path) as file:
        columns = {file[key].attrs["name"]: file[key] for key in file}
        samples = np.array([columns[name][:] for name in NAMES])
        units = [columns[name].attrs["unit"] for name in NAMES]
        return samples, units, file.attrs["sample_rate_hz"], file.attrs["provenance"]


def from_parquet(path: Path) -> tuple[Array, list[str], float, str]:
    """The same by pyarrow."""
    table, told = parquet.read_table(path), parquet.read_metadata(path).metadata
    units = [table.schema.field(name).metadata[b"unit"].decode() for name in NAMES]
    samples = np.array([table[name].to_numpy() for name in NAMES])
    return samples, units, float(told[b"sample_rate_hz"]), told[b"provenance"].decode()


def from_csv(path: Path) -> tuple[Array, list[str], float, str]:
    """The same by pandas."""
    lines = path.read_text(encoding="utf-8").splitlines()[:3]
    frame = pd.read_csv(path, comment="#", header=[0, 1])
    samples = np.array([frame[pair].to_numpy() for pair in zip(NAMES, UNITS, strict=True)])
    rate_hz = 1 / np.diff(frame[("time", "s")]).mean()
    return samples, list(UNITS), rate_hz, lines[2].removeprefix("# provenance = ")


def from_matlab(path: Path) -> tuple[Array, list[str], float, str]:
    """The same by scipy."""
    found = loadmat(path, squeeze_me=True)
    assert found["channel_names"].tolist() == list(NAMES)
    samples = np.array([found[name] for name in found["channel_variables"]])
    units = found["channel_units"].tolist()
    return samples, units, float(found["sample_rate_hz"]), str(found["provenance"])


READ: dict[str, Callable[[Path], tuple[Array, list[str], float, str]]] = {
    ".h5": from_hdf5,
    ".parquet": from_parquet,
    ".csv": from_csv,
    ".mat": from_matlab,
}


@pytest.mark.parametrize("suffix", READ)
def test_other_programs_read_si_samples_units_and_provenance(
    campaign: Path, truth: Array, tmp_path: Path, suffix: str
) -> None:
    """By the formats' own libraries; the loads' zeros are removed as everywhere."""
    output = tmp_path / f"run{suffix}"

    result = export(campaign, output)

    assert result.exit_code == 0, result.output
    assert f"run 2: 3 channels, {N:,} samples at 250 Hz written to" in result.stderr
    samples, units, rate_hz, provenance = READ[suffix](output)
    np.testing.assert_allclose(samples, truth, rtol=1e-12, atol=1e-9)
    assert units == list(UNITS)
    assert rate_hz == pytest.approx(RATE_HZ)
    told = json.loads(provenance)
    assert (told["run"], told["configuration"], told["n_samples"]) == ("2", "bare", N)
    assert [channel["name"] for channel in told["channels"]] == list(NAMES)
    steps = [step["name"] for step in told["provenance"]["steps"]]
    assert steps == ["read", "calibrate", "remove wind-off zero"]
    assert list(tmp_path.iterdir()) == [output]


@pytest.mark.parametrize("suffix", READ)
def test_a_run_sheet_alone_reads_what_was_exported(
    campaign: Path, truth: Array, tmp_path: Path, suffix: str
) -> None:
    """The same samples to the last bit, in SI without a gain, at the file's own rate."""
    folder = write_runs(tmp_path / "c", [], CAMPAIGN)
    assert export(campaign, folder / "runs" / f"run{suffix}").exit_code == 0
    columns = variable_names(NAMES) if suffix == ".mat" else NAMES
    sheet: dict[str, Any] = {
        "format": 1,
        "run": {"number": "2", "recording": f"run{suffix}", "kind": "wind-on"},
        "sampling": {"time_column": "time"} if suffix == ".csv" else {"rate": "file"},
        "air": {"speed": "40 m/s"},
        "channel": [
            {"column": column, "name": name, "measures": measures, "unit": unit}
            for column, name, measures, unit in zip(
                columns, NAMES, ("drag", "lift", "pressure"), UNITS, strict=True
            )
        ],
    }
    sheet["run"]["configuration"] = "bare"
    write_sheet(folder, "2", sheet)

    record = open_campaign(folder).run("2").open()
    samples = np.concatenate(list(record.blocks()), axis=1)
    opened = open_campaign(campaign)
    exported = opened.run("2").open(zeros_of(opened, opened.run("2")))
    first = np.concatenate(list(exported.blocks()), axis=1)

    assert record.sample_rate_hz == RATE_HZ
    assert np.array_equal(samples, first)
    np.testing.assert_allclose(samples, truth, rtol=1e-12, atol=1e-9)


def test_an_unknown_suffix_is_wrong_usage(campaign: Path, tmp_path: Path) -> None:
    """Told before anything is read."""
    result = export(campaign, tmp_path / "run.xlsx")

    assert result.exit_code == 2
    assert "cannot write .xlsx here; wanted one of .h5, .parquet, .csv, .mat" in result.output


def test_a_damaged_recording_leaves_nothing_behind(campaign: Path, tmp_path: Path) -> None:
    """Neither the file nor what waited beside it."""
    folder = write_runs(tmp_path / "c", [PlantedRun("1", {"lift": np.arange(100.0)}, None)])
    recording = folder / "runs" / "1.csv"
    recording.write_text(recording.read_text() + "not a number\n")

    for suffix in READ:
        result = export(folder, tmp_path / f"run{suffix}", "1")
        assert result.exit_code == 1
        assert "'not a number' is no number" in result.output
        assert [path.name for path in tmp_path.iterdir()] == ["c"]


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["lift", "tailgate left", "07"], ["lift", "tailgate_left", "x07"]),
        (["a b", "a_b", "a-b"], ["a_b", "a_b_2", "a_b_3"]),
        (["provenance", "größe"], ["provenance_2", "gr__e"]),
        (["x" * 70, "x" * 71], ["x" * 63, "x" * 59 + "_2"]),
    ],
)
def test_channels_become_variables(names: list[str], expected: list[str]) -> None:
    """Letters, digits and underscores, at most 63 of them, each name once."""
    assert variable_names(names) == expected


def test_channels_become_datasets(tmp_path: Path) -> None:
    """HDF5 takes a slash for a group and a dot for the root; the true name is an attribute."""
    names = ["a/b", "a_b", "."]
    channels = tuple(Channel(name, index, "other", "V", 1.0) for index, name in enumerate(names))

    with hdf5_sink(tmp_path / "1.h5", Header("1", None, 100.0, channels)) as sink:
        sink.append(np.array([[0.0], [1.0], [2.0]]))

    with h5py.File(tmp_path / "1.h5") as file:
        assert {one.attrs["name"]: one[0] for one in file.values()} == {
            "a/b": 0.0,
            "a_b": 1.0,
            ".": 2.0,
        }


def test_pressures_may_be_those_at_the_taps(tmp_path: Path) -> None:
    """A slow sine behind a tube comes back at its own moments; without the option it lags.

    The lag is 8 μ L / (π R⁴ p0) · (V / k + V_t / 2), the limit of slow changes, worked out here.
    """
    tubing = {"length": "1 m", "diameter": "0.5 mm", "volume": "300 mm^3"}
    lag_s = 8 * 1.8134e-5 * 1.0 / (np.pi * 0.25e-3**4 * 101_325)
    lag_s *= 300e-9 / 1.4 + np.pi * 0.25e-3**2 / 2
    time_s = np.arange(10_000) / RATE_HZ
    run = PlantedRun(
        "1",
        {"pressure": 100 * np.sin(2 * np.pi * 0.2 * (time_s - lag_s))},
        units={"pressure": "Pa"},
        channel={"tubing": tubing},
    )
    folder = write_runs(tmp_path / "c", [run])
    found = {}
    for name, option in (("sensor", []), ("tap", ["--correct-tubing"])):
        output = tmp_path / f"{name}.h5"
        arguments = ["export", str(folder), "--run", "1", "-o", str(output), *option]
        assert CliRunner().invoke(main, arguments).exit_code == 0
        with h5py.File(output) as file:
            steps = json.loads(file.attrs["provenance"])["provenance"]["steps"]
            found[name] = file["pressure"][:], [step["name"] for step in steps]

    inside = slice(1000, -1000)
    sensor, tap = found["sensor"], found["tap"]
    assert sensor[0] == pytest.approx(100 * np.sin(2 * np.pi * 0.2 * (time_s - lag_s)), abs=1e-5)
    true = 100 * np.sin(2 * np.pi * 0.2 * time_s)
    assert tap[0][inside] == pytest.approx(true[inside], abs=0.3)
    assert np.abs(sensor[0] - true)[inside].max() > 4
    assert (sensor[1][-1], tap[1][-1]) == ("calibrate", "correct tubing")
