"""Several files of one run, and columns with clocks of their own."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from asammdf import MDF, Signal
from numpy.typing import NDArray

from ingest import IngestError, RecordingError, open_campaign
from ingest.readers import open_recording
from ingest.readers.resampling import PASS_SHARE
from ingest.recording import ClockOptions, FileOptions
from tests.ingest.campaigns import CAMPAIGN, run_sheet, write_campaign

Array = NDArray[np.float64]

TEXT = FileOptions()


def text_file(folder: Path, name: str, time_s: Array | None, samples: Array) -> Path:
    """A text recording of one channel, with or without stamps."""
    rows = samples[:, None] if time_s is None else np.column_stack([time_s, samples])
    head = "fz" if time_s is None else "t,fz"
    path = folder / name
    np.savetxt(path, rows, "%.6f", ",", header=head, comments="")
    return path


def read(paths: list[Path], clock: ClockOptions, *wanted: str | int) -> tuple[Array, Any]:
    """All samples of the wanted columns, and the recording."""
    recording = open_recording(paths, TEXT, clock, wanted)
    return np.concatenate([b.samples for b in recording.blocks(wanted)], axis=1), recording


@pytest.mark.parametrize("stamped", [True, False])
def test_files_of_one_run_are_joined_in_their_order(tmp_path: Path, stamped: bool) -> None:
    """Three files of different lengths are one record; the digests are those of each."""
    signal = np.round(np.random.default_rng(5).standard_normal(900), 6)
    time_s = np.arange(900) / 100
    parts = [slice(0, 400), slice(400, 450), slice(450, 900)]
    paths = [
        text_file(tmp_path, f"{i}.csv", time_s[p] if stamped else None, signal[p])
        for i, p in enumerate(parts)
    ]
    clock = ClockOptions(time_column="t") if stamped else ClockOptions(rate_hz=100.0)

    samples, recording = read(paths, clock, "fz")

    assert samples[0] == pytest.approx(signal, abs=1e-9)
    assert recording.rate_hz == 100.0
    assert (recording.clock.gaps, recording.clock.backward) == (0, 0)
    assert recording.sha256 == tuple(hashlib.sha256(p.read_bytes()).hexdigest() for p in paths)
    assert recording.reader == "delimited text, 3 files joined"


def test_the_part_used_may_end_before_the_last_file(tmp_path: Path) -> None:
    """Every file is hashed all the same."""
    paths = [text_file(tmp_path, f"{i}.csv", None, np.arange(100.0)) for i in range(3)]

    samples, recording = read(paths, ClockOptions(rate_hz=100.0, from_s=0.5, to_s=1.2), "fz")

    assert samples[0].tolist() == [*range(50, 100), *range(20)]
    assert recording.sha256[2] == hashlib.sha256(paths[2].read_bytes()).hexdigest()


def test_stamps_that_begin_again_are_told(tmp_path: Path) -> None:
    """Each file counts from zero: the order cannot be seen, so a rate must be stated."""
    paths = [text_file(tmp_path, f"{i}.csv", np.arange(50) / 10, np.arange(50.0)) for i in (1, 2)]

    with pytest.raises(RecordingError, match=r"2\.csv, column 't': .* where those of 1\.csv end"):
        read(paths, ClockOptions(time_column="t"), "fz")


def test_files_with_other_columns_are_not_joined(tmp_path: Path) -> None:
    """The message names the file and what differs."""
    first = text_file(tmp_path, "1.csv", None, np.arange(50.0))
    second = text_file(tmp_path, "2.csv", np.arange(50.0), np.arange(50.0))

    with pytest.raises(RecordingError, match=r"2\.csv: its columns .* 1\.csv: it has t besides"):
        read([first, second], ClockOptions(rate_hz=100.0), "fz")


@pytest.mark.parametrize("save", [np.savez, np.savez_compressed])
def test_a_file_whose_columns_end_apart_is_told(tmp_path: Path, save: Any) -> None:
    """The logger stopped between two channels of its last file."""
    paths = [tmp_path / "1.npz", tmp_path / "2.npz"]
    save(paths[0], fz=np.arange(100.0), p07=np.arange(100.0))
    save(paths[1], fz=np.arange(90.0), p07=np.arange(80.0))

    with pytest.raises(
        RecordingError, match=r"2\.npz, columns 'fz', 'p07': .* as they do in 1\.npz"
    ):
        read(paths, ClockOptions(rate_hz=100.0), "fz", "p07")


def two_rates(folder: Path, **more: Any) -> Path:
    """A NumPy archive: lift at 1 kHz, a pressure at 200 Hz, of one 8 Hz wave."""
    path = folder / "014.npz"
    fast, slow = np.arange(20_000) / 1000.0, np.arange(4_000) / 200.0
    arrays = {"fz": np.sin(2 * np.pi * 8 * fast), "p07": 100 * np.cos(2 * np.pi * 8 * slow)}
    np.savez(path, **arrays | more)
    return path


def two_rate_campaign(folder: Path, **sampling: Any) -> Path:
    """A campaign of one run on that archive."""
    sheet = run_sheet("014", recording="014.npz")
    lift, tap = sheet["channel"]
    lift["column"] = "fz"
    for key in ("full_scale", "natural_frequency", "damping"):
        del lift[key]
    del tap["tubing"]
    tap["rate"] = "200 Hz"
    sheet["sampling"] = {"rate": "1 kHz", **sampling}
    write_campaign(folder, {"014": sheet}, CAMPAIGN)
    two_rates(folder / "runs")
    return folder


@pytest.mark.parametrize("to_hz", [1000.0, 200.0, 250.0])
def test_columns_of_two_rates_are_brought_to_one(tmp_path: Path, to_hz: float) -> None:
    """Each keeps its phase: the wave's sine and cosine fit at the new rate's own moments."""
    folder = two_rate_campaign(tmp_path, resample_to=f"{to_hz:g} Hz")

    record = open_campaign(folder).run("014").open()
    samples = np.concatenate(list(record.blocks()), axis=1)

    assert record.sample_rate_hz == to_hz
    time_s = np.arange(samples.shape[1]) / to_hz
    inside = slice(int(0.5 * to_hz), int(19 * to_hz))
    assert samples.shape[1] == pytest.approx(20 * to_hz, abs=to_hz / 100)
    lift, tap = samples[0] / 250, samples[1] / 100
    assert lift[inside] == pytest.approx(np.sin(2 * np.pi * 8 * time_s)[inside], abs=1e-3)
    assert tap[inside] == pytest.approx(np.cos(2 * np.pi * 8 * time_s)[inside], abs=1e-3)
    assert tuple(record.reach_hz.values()) == (
        0.5 * to_hz if to_hz == 1000.0 else 0.5 * PASS_SHARE * to_hz,
        0.5 * to_hz if to_hz == 200.0 else 0.5 * PASS_SHARE * 200.0,
    )


def test_the_resampling_is_stated_or_refused(tmp_path: Path) -> None:
    """Nobody's samples are resampled without a word."""
    folder = two_rate_campaign(tmp_path)

    with pytest.raises(IngestError, match=r"clocks of their own \(200 Hz, 1000 Hz\); state resamp"):
        list(open_campaign(folder).run("014").open().blocks())


def test_the_provenance_says_what_was_resampled(tmp_path: Path) -> None:
    """With the band that the filter leaves."""
    record = open_campaign(two_rate_campaign(tmp_path, resample_to="1 kHz")).run("014").open()
    for _ in record.blocks():
        pass

    (step,) = [step for step in record.provenance.steps if step.name == "resample"]

    assert step.settings["to_hz"] == 1000.0
    assert step.settings["channels"] == {
        "tailgate left": {"logged_hz": 200.0, "passes_to_hz": 80.0}
    }


def test_a_wrong_rate_shows_at_the_end(tmp_path: Path) -> None:
    """A channel stated at half its rate would last twice as long."""
    folder = two_rate_campaign(tmp_path, resample_to="1 kHz")
    sheet = folder / "runs" / "014.toml"
    sheet.write_text(sheet.read_text().replace('"200 Hz"', '"100 Hz"'))

    with pytest.raises(RecordingError, match="end at different times, from 20 to 40 s"):
        list(open_campaign(folder).run("014").open().blocks())


def test_checks_see_what_was_logged(tmp_path: Path) -> None:
    """Clipping is told of the logger's samples, not of those a filter rounded."""
    folder = two_rate_campaign(tmp_path, resample_to="1 kHz")
    clipped = np.clip(np.arange(4_000) % 50 * 1.0, 0, 40)
    two_rates(folder / "runs", p07=clipped)
    sheet = folder / "runs" / "014.toml"
    stated = sheet.read_text().replace('"200 Hz"', '"200 Hz", "full_scale" = 40')
    sheet.write_text(stated)
    record = open_campaign(folder).run("014").open()
    for _ in record.blocks():
        pass

    (found,) = [finding for finding in record.findings if finding.code == "clipped"]

    assert found.message.startswith(f"{np.count_nonzero(clipped == 40)} samples")


def test_groups_with_time_channels_of_their_own(tmp_path: Path) -> None:
    """MDF 4 with groups at 500 and 50 Hz, the slower begins 3 ms later: both on one clock."""
    sheet = run_sheet("014", recording="014.mf4")
    lift, tap = sheet["channel"]
    for key in ("full_scale", "natural_frequency", "damping"):
        del lift[key]
    del tap["tubing"]
    lift["column"] = "fz"
    sheet["sampling"] = {"time_column": "time", "resample_to": "500 Hz"}
    folder = write_campaign(tmp_path, {"014": sheet}, CAMPAIGN)
    fast, slow = np.arange(10_000) / 500, 0.003 + np.arange(1_000) / 50
    with MDF(version="4.10") as file:
        file.append([Signal(np.sin(2 * np.pi * 4 * fast), fast, name="fz")])
        file.append([Signal(np.sin(2 * np.pi * 4 * slow), slow, name="p07")])
        file.save(folder / "runs" / "014.mf4", overwrite=True)

    record = open_campaign(folder).run("014").open()
    samples = np.concatenate(list(record.blocks()), axis=1)

    inside = slice(300, -300)
    assert samples.shape[1] == pytest.approx(10_000, abs=20)
    assert samples[0, inside] / 250 == pytest.approx(samples[1, inside], abs=1e-3)
    start_s = np.arcsin(samples[0, 250] / 250) / (2 * np.pi * 4)
    assert start_s % 0.002 == pytest.approx(0.001, abs=2e-5)
