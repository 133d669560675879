"""Sweeps of wind speed: peaks gathered over speeds, and whether RMS coefficients still change."""

from __future__ import annotations

import json
from dataclasses import replace
from math import log
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from buffet.analysis import CampaignAnalysis, analyse
from buffet.documents import dumps
from buffet.interval import Interval
from buffet.outputs import sweep_writers
from buffet.run_spectra import RunResult
from buffet.sweep.document import sweep_document
from buffet.sweep.sweep import Sweep, sweep
from buffet.sweep.text import sweep_text
from buffet.sweep.trend import trends
from buffet.writing import write
from ingest import open_campaign
from tests.buffet.campaigns import CAMPAIGN, PlantedRun, write_runs
from tests.buffet.test_following import FAN_HZ_PER_M_S, HUM_HZ, LENGTH_M, WAKE_STROUHAL, wind_on
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


def with_trend(analysis: CampaignAnalysis, exponent: float) -> tuple[CampaignAnalysis, Any]:
    """Six runs at three speeds whose RMS goes with that power of the Reynolds number."""
    runs, results = [], []
    for position, run in enumerate(analysis.of("a")):
        speed = SPEEDS_M_S[position // 2]
        flow = replace(FLOW, speed_m_s=speed, reynolds=speed * 1e4)
        factor = (speed / SPEEDS_M_S[0]) ** (2 * exponent)
        groups = {"group_psd": run.signal.group_psd * factor}
        signal = replace(
            run.signal, **groups, below_resolution=run.signal.below_resolution * factor
        )
        quantity = SimpleNamespace(quantity=signal.quantities[0], rms=Interval(1.0, 0.9, 1.1))
        runs.append(replace(run, flow=flow, signal=signal))
        results.append(SimpleNamespace(analysis=runs[-1], quantities=(quantity,)))
    return replace(analysis, runs=tuple(runs)), cast(list[RunResult], results)


@pytest.fixture(scope="module")
def made() -> list[CampaignAnalysis]:
    """Six runs a configuration, which scatter by 2 %."""
    kind = CampaignKind("white", WHITE, repeats=6, scatter=0.02)
    return campaigns(kind, 80, np.random.default_rng(5))


@pytest.mark.parametrize("exponent", [0.0, -0.3])
def test_change_per_doubling_is_covered(exponent: float, made: list[CampaignAnalysis]) -> None:
    """95 % intervals over 80 campaigns of known trend; a real one is seen, none is not."""
    truth = exponent * log(2)
    held, changing = 0, 0
    for analysis in made:
        ((trend,),) = trends(*(lambda a, r: (a, [r]))(*with_trend(analysis, exponent)))
        assert trend.per_doubling is not None
        assert trend.per_doubling.low is not None
        assert trend.per_doubling.high is not None
        low, high = (log(1 + limit) for limit in (trend.per_doubling.low, trend.per_doubling.high))
        held += low <= truth <= high
        changing += trend.statement == "still changing"
    assert 0.90 <= held / len(made) <= 0.995
    assert changing / len(made) <= 0.08 if exponent == 0 else changing / len(made) >= 0.9
