"""`resonance` on planted records: values, groups, what is left out and why, and every output."""

from __future__ import annotations

import csv
import json
import re
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import welch

from buffet.errors import NoResonanceError
from buffet.resonance.estimate import resonances
from buffet.resonance.result import ChannelResonance, RunResonance, SpectrumDrawing
from buffet.resonance.strikes import StrikeCutter
from buffet.resonance.tap import TapTest
from ingest import Channel, open_campaign
from tests.buffet.campaigns import run_buffet
from tests.buffet.tap_records import (
    RATE_HZ,
    Array,
    Planted,
    noise,
    shaken,
    struck,
    tone,
    write_run,
)

HEAVE, PITCH = Planted(38.1, 0.021, 60.0), Planted(52.0, 0.015, 12.0)
HITS = [(2.003, 1.0), (10.001, 0.8), (18.2, 1.2), (26.1, 0.9), (26.22, 0.7), (34.5, 1.1)]
SECONDS = 42.0
N = round(SECONDS * RATE_HZ)


def tap_test() -> dict[str, Array]:
    """Two coupled directions and one that does not ring; the fourth strike is a double hit."""
    small = [HEAVE._replace(amplitude=4.0), PITCH._replace(amplitude=15.0)]
    return {
        "lift": 12.0 + struck([HEAVE, PITCH], HITS, SECONDS) + noise(0.3, N, 1),
        "pitch moment": struck(small, HITS, SECONDS) + noise(0.05, N, 2),
        "drag": noise(0.3, N, 3),
        "pressure": struck([HEAVE], HITS, SECONDS),
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tap test that says so, one that does not, and a record of noise with mains in it."""
    place = tmp_path_factory.mktemp("rig") / "c"
    stated = {"natural_frequency": "38.1 Hz", "damping": 0.021}
    write_run(place, "1", tap_test(), {"excitation": "tap"}, stated)
    short = round(20 * RATE_HZ)
    write_run(
        place,
        "2",
        {
            "lift": shaken([HEAVE._replace(amplitude=1.0)], 0.4, 60.0, 1)
            + tone(50.0, 0.5, 30_000)
            + tone(150.0, 0.3, 30_000),
            "drag": noise(0.3, 30_000, 4),
        },
        channel={"natural_frequency": "45 Hz"},
    )
    unsaid = struck([HEAVE], [(2.0, 1.0), (10.0, 0.8)], 20.0) + noise(0.3, short, 5)
    write_run(place, "3", {"lift": unsaid, "bridge": 1e-3 * unsaid})
    return place


def of_run(folder: Path, number: str, **more: Any) -> RunResonance:
    """One run's result."""
    (run,) = resonances(open_campaign(folder), number, **more).runs
    return run


def channel(run: RunResonance, name: str) -> ChannelResonance:
    """One channel's."""
    return next(one for one in run.channels if one.channel.name == name)


def test_a_tap_test_gives_each_channels_modes(folder: Path) -> None:
    """Both planted modes lie in their intervals, each channel's stronger one first."""
    run = of_run(folder, "1")

    assert run.kind == "tap"
    assert run.strikes_s == pytest.approx([2.003, 10.001, 18.2, 26.1, 34.5], abs=0.01)
    for name, planted in (("lift", (HEAVE, PITCH)), ("pitch moment", (PITCH, HEAVE))):
        for mode, truth in zip(channel(run, name).modes, planted, strict=True):
            frequency, damping = mode.natural_frequency_hz, mode.damping
            assert frequency.low is not None
            assert frequency.high is not None
            assert damping.low is not None
            assert damping.high is not None
            assert frequency.low < truth.natural_hz < frequency.high
            assert damping.low < truth.damping < damping.high
            assert frequency.high - frequency.low < 0.1
    assert channel(run, "lift").agrees
    assert channel(run, "pitch moment").agrees is False  # its sheet states the other mode


def test_channels_that_share_a_mode_are_named_together(folder: Path) -> None:
    """By frequency, with the channels."""
    groups = of_run(folder, "1").groups

    assert [hz for hz, _ in groups] == pytest.approx([38.1, 52.0], abs=0.05)
    assert [set(names) for _, names in groups] == [{"lift", "pitch moment"}] * 2


def test_a_double_hit_is_left_out_of_all_channels(folder: Path) -> None:
    """With its time and the reason; what does not ring says so; a pressure is not looked at."""
    run = of_run(folder, "1")

    for name in ("lift", "pitch moment"):
        (lost,) = channel(run, name).left_out
        assert lost.time_s == pytest.approx(26.1, abs=0.01)
        assert "struck again 0.1" in lost.why
        assert channel(run, name).strikes == 4
    assert channel(run, "drag").modes == ()
    assert channel(run, "drag").why == "no strike shows in this channel"
    assert {one.channel.name for one in run.channels} == {"lift", "pitch moment", "drag"}


def test_a_record_without_wind_gives_its_resonance_and_names_the_mains(folder: Path) -> None:
    """A line is no resonance, and noise alone shows none."""
    run = of_run(folder, "2")
    lift = channel(run, "lift")

    assert run.kind == "wind-off"
    (mode,) = lift.modes
    assert mode.natural_frequency_hz.value == pytest.approx(HEAVE.natural_hz, rel=0.01)
    assert mode.damping.value == pytest.approx(HEAVE.damping, rel=0.3)
    assert lift.agrees is False  # 45 Hz is stated
    assert lift.lines == ("mains (50 Hz)", "mains (3 x 50 Hz)")
    assert channel(run, "drag").modes == ()
    assert channel(run, "drag").why


def test_the_spectrum_is_that_of_another_library(folder: Path) -> None:
    """`scipy.signal.welch` with the same segments."""
    run = of_run(folder, "2")
    drawn = channel(run, "drag").drawing
    assert isinstance(drawn, SpectrumDrawing)
    assert run.segment_s is not None
    length = round(run.segment_s * RATE_HZ)

    frequency, psd = welch(noise(0.3, 30_000, 4), RATE_HZ, "hann", length, detrend="constant")

    inside = np.searchsorted(frequency, drawn.frequency_hz - 1e-9)
    assert drawn.psd == pytest.approx(psd[inside], rel=1e-2)


def test_a_tap_test_may_be_told_by_its_strikes(folder: Path) -> None:
    """Two decays are enough; `--kind` decides otherwise."""
    run = of_run(folder, "3")

    assert run.kind == "tap"
    assert channel(run, "bridge").strongest is not None
    assert of_run(folder, "3", kind="wind-off").kind == "wind-off"


def test_a_slammed_door_does_not_make_a_tap_test(tmp_path: Path) -> None:
    """One strike in a record that does not say so is no reason to take it for one."""
    lift = shaken([Planted(38.0, 0.02, 1.0)], 0.3, 60.0, 6)
    lift += struck([Planted(38.0, 0.02, 40.0)], [(30.0, 1.0)], 60.0)
    write_run(tmp_path / "c", "1", {"lift": lift})

    assert of_run(tmp_path / "c", "1").kind == "wind-off"
    assert of_run(tmp_path / "c", "1", kind="tap").strikes_s == pytest.approx([30.0], abs=0.01)


def test_a_change_with_amplitude_is_told(tmp_path: Path) -> None:
    """The frequency rises by 1 % as the decay dies: ω(t) = ω (1 - 0.01 e^(-σt)) in phase."""
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    sigma, omega = 0.01 * 2 * np.pi * 38.0, 2 * np.pi * 38.0
    phase = omega * (time_s - 0.01 * (1 - np.exp(-sigma * time_s)) / sigma)
    decay = 50 * np.exp(-sigma * time_s) * np.sin(phase)
    lift = np.concatenate([np.zeros(500), *[decay] * 4]) + noise(0.1, 500 + 4 * len(decay), 9)
    write_run(tmp_path / "c", "1", {"lift": lift}, {"excitation": "tap"})

    change = channel(of_run(tmp_path / "c", "1"), "lift").change
    text = " ".join(run_buffet("resonance", tmp_path / "c").stdout.split())

    assert change is not None
    # mean of e^(-u) over each part, weighted by the energy e^(-2u): 0.72 to 1/e, 0.27 from there
    assert change.frequency.value == pytest.approx(1 + 0.01 * (0.72 - 0.27), abs=0.0015)
    assert re.search(r"as the decay gets smaller, frequency rises by 0\.[3-6]\d %", text)


def test_text_says_what_to_write_and_what_it_does(folder: Path) -> None:
    """Lines for the sheets, where errors reach 5 and 10 %, in 80 columns."""
    done = run_buffet("resonance", folder)
    text = " ".join(done.stdout.split())

    assert done.exit_code == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert '# lift, from run 1 natural_frequency = "38.10' in text
    assert "One mode in several channels: 38.1 Hz: lift and pitch moment" in text
    assert "Strike at 26.1 s left out in lift and pitch moment: struck again 0.1" in text
    assert "lift: the sheet states 38.1 Hz" in text
    assert "pitch moment: the sheet can state one mode alone, and 38.1 Hz lies in" in text
    assert "No resonance: mains (50 Hz) in lift." in text
    # r = 0.218, 0.302 and 0.8 of 38.1 Hz
    assert "lift 8.32 11.5 30.5" in text


def test_json_and_table_hold_the_same(folder: Path, tmp_path: Path) -> None:
    """Intervals with their level; one row a mode."""
    printed = json.loads(run_buffet("resonance", folder, "--run", "1", "--json").stdout)
    table = tmp_path / "r.csv"
    run_buffet("resonance", folder, "--run", "1", "-o", table)
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))

    assert (printed["format"], printed["version"]) == ("buffet/resonance", 1)
    (run,) = printed["runs"]
    lift = run["channels"][0]
    assert lift["name"] == "lift"
    assert set(lift["natural_frequency_hz"]) == {"value", "low", "high", "level"}
    assert lift["amplitude_error_reached_hz"]["0.1"] == pytest.approx(0.302 * 38.1, abs=0.03)
    assert lift["stated"]["agrees"] is True
    assert run["channels"][2]["natural_frequency_hz"] is None
    assert run["channels"][2]["why"] == "no strike shows in this channel"
    assert [row["channel"] for row in rows] == ["lift"] * 2 + ["pitch moment"] * 2 + ["drag"]
    assert float(rows[0]["damping"]) == lift["damping"]["value"]


@pytest.mark.parametrize("suffix", [".png", ".svg", ".pdf", ".json"])
def test_files_are_written(folder: Path, tmp_path: Path, suffix: str) -> None:
    """Pictures of decays and spectra, or the document; all runs in one picture."""
    target = tmp_path / f"r{suffix}"
    chosen = () if suffix in (".png", ".json") else ("--run", "3")  # drawing takes its time
    done = run_buffet("resonance", folder, *chosen, "-o", target)

    assert done.exit_code == 0, done.stderr
    assert target.stat().st_size > 1000


@pytest.mark.parametrize(
    ("samples", "options", "problem"),
    [
        ({"lift": noise(0.3, 5000, 1)}, {"kind": "tap"}, "no strike in 10 s"),
        ({"pressure": noise(0.3, 5000, 1)}, {}, "no force, moment, bridge or accelerometer"),
        ({"lift": noise(0.3, 300, 1)}, {}, "too few for a spectrum"),
        (
            {"lift": struck([Planted(38.0, 0.6)], [(2.0, 1.0)], 6.0) + noise(0.001, 3000, 1)},
            {"kind": "tap"},
            "1 strike, but no decay could be used; lift: damping of 0.* is too high",
        ),
    ],
)
def test_what_cannot_be_found_says_why(
    tmp_path: Path, samples: dict[str, Array], options: dict[str, Any], problem: str
) -> None:
    """One message with what to do."""
    write_run(tmp_path / "c", "1", samples)

    with pytest.raises(NoResonanceError, match=problem):
        of_run(tmp_path / "c", "1", **options)


def test_runs_with_wind_are_refused(tmp_path: Path) -> None:
    """Their peaks may be flow's; without any other run there is nothing to do."""
    place = write_run(tmp_path / "c", "1", {"lift": noise(0.3, 3000, 1)})
    sheet = place / "runs" / "1.toml"
    text = sheet.read_text(encoding="utf-8")
    windy = text.replace('"wind-off"', '"wind-on", "configuration" = "bare"')
    sheet.write_text(windy + '\nair = {"speed" = "40 m/s"}\n', encoding="utf-8")

    named = run_buffet("resonance", place, "--run", "1")
    every = run_buffet("resonance", place)

    assert (named.exit_code, every.exit_code) == (1, 1)
    assert "run 1 has wind: what it shows may be flow" in named.stderr
    assert "has no wind-off run" in every.stderr


def test_a_damaged_run_does_not_stop_the_others(tmp_path: Path) -> None:
    """It is told at the end, with exit code 1."""
    place = write_run(tmp_path / "c", "1", {"lift": shaken([HEAVE], 10.0, 30.0, 2)})
    write_run(place, "2", {"lift": noise(0.3, 1000, 1)})
    (place / "runs" / "2.csv").write_text("lift\n1\nx\n", encoding="utf-8")

    done = run_buffet("resonance", place)

    assert done.exit_code == 1
    assert "run 1, 30 s." in done.stdout
    assert "run 2 left out: " in done.stderr


def test_memory_does_not_grow_with_the_record() -> None:
    """Four times the strikes in the same memory: a decay is dropped once it is fitted."""
    decay = struck([HEAVE], [(0.5, 1.0)], 4.0)
    lift = Channel("lift", 0, "lift", "N", 1.0)
    peaks = []
    for strikes in (1, 4, 16):  # the first for what is loaded once
        cutter, tap = StrikeCutter(1, RATE_HZ), TapTest([lift], RATE_HZ)
        tracemalloc.start()
        for i in range(strikes + 1):
            for strike in cutter.push((decay + noise(0.3, len(decay), i))[None]):
                tap.add(strike)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(tap.strikes_s) == strikes
    assert peaks[2] < 1.2 * peaks[1]
