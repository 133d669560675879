"""The invented campaign's files against the contract."""

from __future__ import annotations

import gzip
import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.demo import DemoSettings, write_demo
from buffet.demo.truth import COMPONENTS, CONFIGURATIONS, MODEL
from buffet.errors import OutputError
from ingest import open_campaign

FloatArray = NDArray[np.float64]

# Six seconds instead of sixty: every run, sheet and file is there, and little to write.
SHORT = DemoSettings(wind_on_s=6.0, wind_off_s=2.0)
SHARE = 5  # of the full length is written where its size is asked for
BY_NAME = {configuration.name: configuration for configuration in CONFIGURATIONS}
# Four standard errors: a right program fails once in 16 000 checks.
FOUR = 4.0


@pytest.fixture(scope="module")
def short_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole campaign with short records."""
    folder = tmp_path_factory.mktemp("demo") / "campaign"
    write_demo(folder, settings=SHORT)
    return folder


@pytest.fixture(scope="module")
def truth(short_demo: Path) -> dict[str, Any]:
    """The truth written beside it."""
    document: dict[str, Any] = json.loads((short_demo / "truth.json").read_text())
    return document


def _sheets(folder: Path) -> dict[str, dict[str, Any]]:
    paths = sorted((folder / "runs").glob("*.toml"))
    return {path.stem: tomllib.loads(path.read_text()) for path in paths}


def _counts(folder: Path, number: str) -> FloatArray:
    text = gzip.decompress((folder / "recordings" / f"{number}.csv.gz").read_bytes()).decode()
    rows = text.splitlines()[5:]
    return np.array([[int(cell) for cell in row.split(";")] for row in rows], dtype=np.float64)


def _files(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_same_seed_gives_the_same_bytes(short_demo: Path, tmp_path: Path) -> None:
    """Two campaigns of one seed agree in every byte of every file, also over an earlier demo."""
    write_demo(tmp_path, seed=1, settings=SHORT)
    write_demo(tmp_path, settings=SHORT)

    assert _files(tmp_path) == _files(short_demo)


def test_another_seed_gives_other_samples(short_demo: Path, tmp_path: Path) -> None:
    """The seed reaches the recordings."""
    write_demo(tmp_path, seed=1, settings=DemoSettings(wind_on_s=1.0, wind_off_s=1.0))

    assert not np.array_equal(_counts(tmp_path, "002"), _counts(short_demo, "002")[:500])


def test_the_campaign_holds_24_runs_between_zeros(short_demo: Path) -> None:
    """Four configurations at three speeds, twice, each group between two wind-off runs."""
    sheets = _sheets(short_demo)
    wind_on = [sheet["run"] for sheet in sheets.values() if sheet["run"]["kind"] == "wind-on"]
    for run in wind_on:
        before, after = sheets[run["zero_before"]]["run"], sheets[run["zero_after"]]["run"]
        assert before["kind"] == after["kind"] == "wind-off"
        assert before["started"] < run["started"] < after["started"]

    assert len(sheets) == 32
    assert len(wind_on) == 24
    assert {run["configuration"] for run in wind_on} == set(BY_NAME)


def test_sheets_have_the_keys_of_the_contract(short_demo: Path) -> None:
    """Each run sheet has the fixed tables and keys, and names a recording that is there."""
    for number, sheet in _sheets(short_demo).items():
        optional = {"configuration", "zero_before", "zero_after"}
        assert set(sheet) - {"tunnel"} == {"format", "run", "air", "sampling", "channel"}
        assert ("tunnel" in sheet) == (sheet["run"]["kind"] == "wind-on")
        assert set(sheet["run"]) - optional == {"number", "kind", "recording", "started"}
        assert (short_demo / "runs" / sheet["run"]["recording"]).is_file()
        assert sheet["run"]["number"] == number
        assert sheet["sampling"] == {"rate": "500 Hz", "antialias_cutoff": "200 Hz"}
        assert [channel["name"] for channel in sheet["channel"]] == list(COMPONENTS)
        resonant = {c["name"] for c in sheet["channel"] if "natural_frequency" in c}
        assert resonant == {"front lift", "rear lift"}


def test_sheets_state_the_fan_whose_line_is_in_the_recordings(short_demo: Path) -> None:
    """0.85 Hz per m/s, as the truth says: the stated blades pass so often, to a revolution."""
    truth = json.loads((short_demo / "truth.json").read_text())
    campaign = open_campaign(short_demo)
    for number, sheet in _sheets(short_demo).items():
        if sheet["run"]["kind"] == "wind-on":
            turned = campaign.run(number).rotation
            line_hz = truth["runs"][number]["fan_line_hz"]
            assert turned.blade_passing_hz() == pytest.approx(line_hz, abs=0.5 * 6 / 60)


def test_campaign_sheet_says_that_it_is_invented(short_demo: Path) -> None:
    """The first line a reader sees says so, and the baseline is one of the configurations."""
    text = (short_demo / "campaign.toml").read_text()
    campaign = tomllib.loads(text)

    assert text.startswith("# Invented campaign")
    assert campaign["campaign"]["baseline"] == "bare tailgate"
    assert (short_demo / campaign["vehicle"]["file"]).is_file()


def test_vehicle_is_the_model_at_full_size(short_demo: Path) -> None:
    """The car's wheelbase is the model's over the scale to 1 %."""
    vehicle = tomllib.loads((short_demo / "vehicle.toml").read_text())

    wheelbase_m = float(vehicle["vehicle"]["wheelbase"].removesuffix(" m"))
    assert wheelbase_m == pytest.approx(0.775 / 0.30, rel=0.01)


def test_counts_stay_far_from_full_scale(short_demo: Path) -> None:
    """No run comes near the 32767 counts of the logger."""
    largest = max(np.abs(_counts(short_demo, number)).max() for number in _sheets(short_demo))

    assert 1000 < largest < 32767 / 4


def test_zero_runs_hold_the_stated_zeros(short_demo: Path, truth: dict[str, Any]) -> None:
    """Wind-off means are the truth's zeros; whole mains periods average out.

    White noise of at most 2 counts over 1000 samples, filtered or not: 0.063 counts.
    """
    for number in ("001", "008", "032"):
        zeros = truth["runs"][number]["zero_counts"]
        stated = [zeros[component] for component in COMPONENTS]
        means = _counts(short_demo, number).mean(axis=0)
        np.testing.assert_allclose(means, stated, atol=FOUR * 0.063 + 0.01)


def test_zeros_drift_between_the_runs(truth: dict[str, Any]) -> None:
    """Zeros before and after a group differ by counts that a reduction has to take away."""
    before, after = (truth["runs"][number]["zero_counts"] for number in ("001", "008"))

    assert after["rear lift"] - before["rear lift"] > 2.0
    assert after["front lift"] - before["front lift"] < -2.0


def test_sheet_and_counts_lead_back_to_the_stated_means(
    short_demo: Path, truth: dict[str, Any]
) -> None:
    """Counts, gain, zeros between and dynamic pressure of the sheet give the run's own drag.

    Six seconds of the wake's 0.0075 RMS with about 0.05 s of memory: 0.0007.
    """
    sheet = _sheets(short_demo)["003"]
    drag = sheet["channel"][0]
    newton_per_count = float(drag["gain"].removesuffix(" N/count"))
    zero = np.mean([_counts(short_demo, number)[:, 0].mean() for number in ("001", "008")])
    force_n = (_counts(short_demo, "003")[:, 0].mean() - zero) * newton_per_count
    speed_m_s = float(sheet["air"]["speed"].removesuffix(" m/s"))
    stated = truth["runs"]["003"]
    coefficient = force_n / (0.5 * stated["density_kg_m3"] * speed_m_s**2 * 0.194)

    assert coefficient == pytest.approx(stated["mean"]["drag"], abs=FOUR * 0.0007)


def test_truth_adds_up(truth: dict[str, Any]) -> None:
    """Parts add in squares, front and rear lift to lift, and half their difference is pitch."""
    for stated in truth["configurations"].values():
        for component in stated["components"].values():
            rms = dict(component["rms"])
            total = rms.pop("total")
            assert sum(value**2 for value in rms.values()) == pytest.approx(total**2, rel=1e-4)
        mean = {name: component["mean"] for name, component in stated["components"].items()}
        assert mean["lift"] == pytest.approx(mean["front lift"] + mean["rear lift"])
        assert mean["pitch moment"] == pytest.approx((mean["front lift"] - mean["rear lift"]) / 2)


def test_the_choice_is_not_trivial(truth: dict[str, Any]) -> None:
    """The best on drag is not the best on buffeting, and the targets are spread."""
    stated = truth["configurations"]
    by_drag = min(stated, key=lambda name: stated[name]["components"]["drag"]["mean"])
    by_lift = min(stated, key=lambda name: stated[name]["components"]["lift"]["rms"]["total"])
    verdicts = [stated[name]["verdict_at_130_km_h"] for name in stated]

    assert (by_drag, by_lift) == ("shallow tail", "wing")
    assert verdicts == ["likely", "possible", "unlikely", "possible"]


def test_runs_carry_what_was_drawn(truth: dict[str, Any]) -> None:
    """A run's own peak frequency is St U/L of its own speed, its RMS the factor's."""
    for number in ("003", "027"):
        run = truth["runs"][number]
        stated = truth["configurations"][run["configuration"]]
        strouhal = stated["peaks"]["vertical shedding"]["strouhal"]
        lift = stated["components"]["lift"]["rms"]["total"]

        assert run["peak_hz"]["vertical shedding"] == pytest.approx(
            strouhal * run["speed_m_s"] / MODEL.strouhal_length_m, rel=1e-5
        )
        assert run["rms"]["lift"] == pytest.approx(lift * run["fluctuation_factor"], rel=1e-5)


def test_recording_is_laid_out_as_a_logger_does(short_demo: Path) -> None:
    """Three lines of preamble, names, units, one row a sample; gzip without time or name."""
    raw = (short_demo / "recordings" / "014.csv.gz").read_bytes()
    lines = gzip.decompress(raw).decode().splitlines()

    assert lines[1] == "Run 014"
    assert lines[3].split(";")[0] == "fx"
    assert lines[4] == ";".join(["count"] * 7)
    assert len(lines) == 5 + 6 * 500
    assert raw[3] == 0  # no flags: no file name
    assert raw[4:8] == b"\0\0\0\0"  # no time


def test_the_whole_campaign_is_small(tmp_path: Path) -> None:
    """At full length everything together stays under 8 MB; recordings are as long as they last."""
    whole = DemoSettings()
    on_s, off_s = whole.wind_on_s / SHARE, whole.wind_off_s / SHARE
    write_demo(tmp_path, settings=replace(whole, wind_on_s=on_s, wind_off_s=off_s))
    files = _files(tmp_path)
    bytes_of = {name: len(content) for name, content in files.items()}
    recordings = sum(n for name, n in bytes_of.items() if name.startswith("recordings/"))

    assert len(files) == 32 + 32 + 3
    assert 6e6 < sum(bytes_of.values()) + (SHARE - 1) * recordings < 8e6


def test_a_folder_with_something_else_in_it_is_left_alone(tmp_path: Path) -> None:
    """Somebody's own campaign is never overwritten."""
    (tmp_path / "campaign.toml").write_text("format = 1\n")
    with pytest.raises(OutputError, match="not empty and holds no earlier demo campaign"):
        write_demo(tmp_path, settings=SHORT)

    assert _files(tmp_path) == {"campaign.toml": b"format = 1\n"}


def test_a_foreign_truth_does_not_make_it_a_demo(tmp_path: Path) -> None:
    """A file that happens to be named truth.json is no licence to overwrite."""
    (tmp_path / "truth.json").write_text("[]")
    with pytest.raises(OutputError, match="nothing was written"):
        write_demo(tmp_path, settings=SHORT)


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    """A file is not a folder, and the message says what to do."""
    (tmp_path / "demo").write_text("")
    with pytest.raises(OutputError, match="is a file; name a folder"):
        write_demo(tmp_path / "demo", settings=SHORT)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """The system's own reason stands in the message."""
    (tmp_path / "demo").write_text("")
    with pytest.raises(OutputError, match=r"cannot be written there \(Not a directory\)"):
        write_demo(tmp_path / "demo" / "inside", settings=SHORT)


def test_the_campaign_opens_without_a_fault(short_demo: Path) -> None:
    """Sheets, car and recordings are accepted as written, and gains arrive in SI."""
    campaign = open_campaign(short_demo)
    rear_lift, tap = (campaign.run("014").channels[i] for i in (2, 5))

    assert campaign.configurations == tuple(configuration.name for configuration in CONFIGURATIONS)
    assert len(campaign.wind_on) == 24
    assert (rear_lift.scale, rear_lift.unit, rear_lift.natural_frequency_hz) == (0.05, "N", 100.0)
    assert (tap.scale, tap.unit, tap.at_m) == (0.5, "Pa", (0.58, -0.20, 0.30))
