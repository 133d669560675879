"""Sweeps of wind speed: peaks gathered over speeds, and whether RMS coefficients still change."""

from __future__ import annotations

import json
from dataclasses import replace
from math import log
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import CampaignAnalysis, analyse
from buffet.documents import dumps
from buffet.outputs import sweep_writers
from buffet.run_spectra import RunResult, run_result
from buffet.sweep.document import sweep_document
from buffet.sweep.sweep import Sweep, sweep
from buffet.sweep.text import sweep_text
from buffet.sweep.trend import trends
from buffet.writing import write
from ingest import open_campaign
from tests.buffet.campaigns import CAMPAIGN, PlantedRun, write_runs
from tests.buffet.test_following import (
    FAN_HZ_PER_M_S,
    HUM_HZ,
    LENGTH_M,
    WAKE_STROUHAL,
    noise,
    wind_on,
)
from tests.thorough.records import WHITE
from tests.thorough.simulated import FLOW, CampaignKind, campaigns

SPEEDS_M_S = (30.0, 40.0, 50.0)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Sweep:
    """Wake, rig resonance, hum and fan at three wind speeds, and one run of another add-on."""
    runs: list[PlantedRun] = [wind_on(str(i), speed) for i, speed in enumerate(SPEEDS_M_S, 1)]
    runs.append(replace(wind_on("4", 40.0), configuration="wing"))
    folder = write_runs(tmp_path_factory.mktemp("sweep") / "c", runs, CAMPAIGN)
    return sweep(analyse(open_campaign(folder)))


@pytest.fixture(scope="module")
def swept(found: Sweep) -> Any:
    """The JSON of it."""
    document = json.loads(dumps(sweep_document(found)))
    assert (document["format"], document["version"]) == ("buffet/sweep", 1)
    return document


def holds(interval: Any, value: float) -> bool:
    """Whether an interval holds a value."""
    return bool(interval["low"] <= value <= interval["high"])


def test_peaks_keep_to_what_was_planted(swept: Any) -> None:
    """The wake and the fan their Strouhal numbers, the hum its frequency."""
    bare, _ = swept["configurations"]
    peaks = {(peak["class"], peak["kind"], peak["source"]): peak for peak in bare["peaks"]}
    wake = peaks["scales with speed", "broad", None]
    fan = peaks["scales with speed", "line", "fan blades passing"]
    hum = peaks["fixed frequency", "line", "mains (50 Hz)"]
    assert holds(wake["strouhal"], WAKE_STROUHAL)
    assert fan["strouhal"]["value"] == pytest.approx(FAN_HZ_PER_M_S * LENGTH_M, rel=1e-3)
    assert hum["frequency_hz"]["value"] == pytest.approx(HUM_HZ, rel=1e-3)
    for peak in (wake, fan):
        assert [seen["speed_m_s"] for seen in peak["seen"]] == pytest.approx(SPEEDS_M_S, rel=0.01)
        assert peak["spread_of_strouhal"] < 0.02 < 0.2 < peak["spread_of_frequency"]
    assert hum["spread_of_frequency"] < 1e-3 < 0.2 < hum["spread_of_strouhal"]


def test_one_speed_tells_nothing_of_change(swept: Any) -> None:
    """The reason stands beside the null."""
    _, wing = swept["configurations"]
    (rms,) = wing["rms"]
    assert rms["change_per_doubling"] is None
    assert rms["change_per_doubling_why"] == "one wind speed"
    assert rms["statement"] == "one speed"


def test_text_and_files(found: Sweep, tmp_path: Path) -> None:
    """80 columns; a picture and a table by suffix."""
    text = sweep_text(found)
    assert max(map(len, text.splitlines())) <= 80
    assert "bare: 3 runs at 30, 40 and 50 m/s" in text
    assert "Lines at the rate of" in text
    for name in ("sweep.png", "sweep.csv"):
        write(tmp_path / name, sweep_writers(found))
    assert (tmp_path / "sweep.png").read_bytes().startswith(b"\x89PNG")
    rows = (tmp_path / "sweep.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 1 + 4
    assert "change_per_doubling_low" in rows[0]


def with_trend(
    analysis: CampaignAnalysis, exponent: float
) -> tuple[CampaignAnalysis, list[RunResult]]:
    """Six runs at three speeds whose RMS goes with that power of the Reynolds number.

    Their spectra keep their shape over the Strouhal number: white, so the level falls as the speed.
    """
    runs = []
    for position, run in enumerate(analysis.of("a")):
        ratio = SPEEDS_M_S[position // 2] / SPEEDS_M_S[0]
        flow = replace(FLOW, speed_m_s=SPEEDS_M_S[position // 2], reynolds=ratio * 3e5)
        factor = ratio ** (2 * exponent - 1)
        signal = replace(
            run.signal,
            group_psd=run.signal.group_psd * factor,
            below_resolution=run.signal.below_resolution * factor,
        )
        runs.append(replace(run, flow=flow, signal=signal))
    results = [run_result(run, lambda quantity: False) for run in runs]
    return replace(analysis, runs=tuple(runs)), results


@pytest.fixture(scope="module")
def made() -> list[CampaignAnalysis]:
    """Six runs a configuration, which scatter by 2 %."""
    kind = CampaignKind("white", WHITE, repeats=6, scatter=0.02)
    return campaigns(kind, 40, np.random.default_rng(5))


@pytest.mark.parametrize("exponent", [0.0, -0.3])
def test_change_per_doubling_is_covered(exponent: float, made: list[CampaignAnalysis]) -> None:
    """95 % intervals over 40 campaigns of known trend; a real one is seen, none is not."""
    truth = exponent * log(2)
    held, changing = 0, 0
    for analysis in made:
        swept, results = with_trend(analysis, exponent)
        ((trend,),) = trends(swept, [results])
        assert trend.per_doubling is not None
        assert trend.per_doubling.low is not None
        assert trend.per_doubling.high is not None
        low, high = (log(1 + limit) for limit in (trend.per_doubling.low, trend.per_doubling.high))
        held += low <= truth <= high
        changing += trend.statement == "still changing"
    assert 0.90 <= held / len(made) <= 0.995
    assert changing / len(made) <= 0.08 if exponent == 0 else changing / len(made) >= 0.9


def rig_run(number: int, speed_m_s: float, rig_hz: float) -> PlantedRun:
    """A flow of constant coefficients, and a rig whose force is the same at all speeds."""
    per_hz = speed_m_s / LENGTH_M
    rig_rms = 0.015 * (SPEEDS_M_S[0] / speed_m_s) ** 2
    lift = (
        noise(WAKE_STROUHAL * per_hz, 6.0, 0.010, number)
        + noise(0.3 * per_hz, 1.0, 0.010, number + 100)
        + noise(rig_hz, 20.0, rig_rms, number + 200)
    )
    return PlantedRun(str(number), {"lift": lift}, air={"speed": f"{speed_m_s:g} m/s"})


def swept_rig(folder: Path, rig_hz: float) -> Any:
    """The one trend of two runs at each of three speeds."""
    speeds = [speed for speed in SPEEDS_M_S for _ in range(2)]
    runs = [rig_run(i, speed, rig_hz) for i, speed in enumerate(speeds, 1)]
    found = sweep(analyse(open_campaign(write_runs(folder / "c", runs, CAMPAIGN))))
    ((trend,),) = (one.trends for one in found.configurations)
    return trend


def test_a_rig_makes_no_trend(tmp_path: Path) -> None:
    """The whole RMS falls with the speed as the rig's does; the flow's is found to stay."""
    trend = swept_rig(tmp_path, 45.0)
    whole = [point.whole_rms.value for point in trend.points]
    assert whole[-1] < 0.85 * whole[0]
    assert trend.per_doubling.low < 0 < trend.per_doubling.high
    assert abs(trend.per_doubling.value) < 0.08
    assert trend.statement in ("settled", "no change shown")
    assert all(point.counts for point in trend.points)
    lowest = trend.points[0]
    assert lowest.taken_out == pytest.approx(0.015**2 / (0.015**2 + 2 * 0.010**2), abs=0.08)
    assert lowest.rms.value == pytest.approx(0.010 * 2**0.5, rel=0.1)


def test_a_run_in_which_the_rig_may_hide_says_nothing(tmp_path: Path) -> None:
    """At the middle speed the wake sheds at the rig's frequency: one peak is seen for two."""
    trend = swept_rig(tmp_path, WAKE_STROUHAL * SPEEDS_M_S[1] / LENGTH_M)
    counts = [(round(point.speed_m_s), point.counts) for point in trend.points]
    assert counts == [(30, True), (30, True), (40, False), (40, False), (50, True), (50, True)]
    assert trend.per_doubling.low < 0 < trend.per_doubling.high
    assert trend.per_doubling_at_top is None
