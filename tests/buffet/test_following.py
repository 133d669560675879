"""A sweep of wind speeds with wake, resonance and lines planted: what is flow, what is rig."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.following import follow
from buffet.rating.rate import RatingSettings, rate
from buffet.run_spectra import QuantityResult, RunResult, run_result
from buffet.spectra_text import spectra_text
from ingest import open_campaign
from tests.buffet.campaigns import (
    CAMPAIGN,
    RATE_HZ,
    Array,
    PlantedRun,
    run_buffet,
    write_runs,
    write_sheet,
)
from tests.thorough.records import Resonance, from_density

SECONDS = 60.0
LENGTH_M = 0.435
WAKE_STROUHAL, WAKE_RMS = 0.20, 0.020
RIG_HZ, RIG_RMS = 31.0, 0.030  # stronger than the wake: 69 % of the two
HUM_HZ, HUM_RMS = 50.0, 0.010
FAN_HZ_PER_M_S, FAN_RMS = 1.55, 0.010
SPEEDS_M_S = (30.0, 40.0, 50.0)


def noise(natural_hz: float, quality: float, rms: float, seed: int) -> Array:
    """A resonance driven by white noise."""
    peak = Resonance(natural_hz, natural_hz / quality, rms**2)
    rng = np.random.default_rng(seed)
    return np.asarray(from_density(peak.density, 1, SECONDS, rng, RATE_HZ)[0])


def tone(frequency_hz: float, rms: float, seconds: float = SECONDS) -> Array:
    """A pure line."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(rms * np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * time_s))


def white(rms: float, seed: int, seconds: float = SECONDS) -> Array:
    """Noise."""
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


@dataclass(frozen=True)
class _SheetRun(PlantedRun):
    """A planted run whose sheet states what turns."""

    tunnel: tuple[tuple[str, Any], ...] = ()

    def sheet(self) -> dict[str, Any]:
        """With [tunnel]."""
        return super().sheet() | ({"tunnel": dict(self.tunnel)} if self.tunnel else {})


def wind_on(number: str, speed_m_s: float, stated: bool = True) -> PlantedRun:
    """Lift with all that was planted; the fan has ten blades."""
    seed = int(number)
    lift = (
        noise(WAKE_STROUHAL * speed_m_s / LENGTH_M, 6.0, WAKE_RMS, seed)
        + noise(RIG_HZ, 25.0, RIG_RMS, seed + 100)
        + tone(HUM_HZ, HUM_RMS)
        + tone(FAN_HZ_PER_M_S * speed_m_s, FAN_RMS)
        + white(0.004, seed + 200)
    )
    rpm = 60 * FAN_HZ_PER_M_S * speed_m_s / 10
    tunnel = (("fan_speed", f"{rpm:.1f} rpm"), ("blades", 10)) if stated else ()
    air = {"speed": f"{speed_m_s:g} m/s"}
    return _SheetRun(number, {"lift": lift}, air=air, tunnel=tunnel)


def sweep(folder: Path, runs: list[PlantedRun]) -> tuple[RunResult, ...]:
    """All runs of a new campaign, followed."""
    return all_of(write_runs(folder, runs, CAMPAIGN))


def all_of(folder: Path) -> tuple[RunResult, ...]:
    """All runs of a campaign, followed."""
    analysis = analyse(open_campaign(folder))
    return follow([run_result(run) for run in analysis.chosen(None)])


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three wind speeds, twice."""
    runs = [wind_on(str(i + 1), speed) for i, speed in enumerate((*SPEEDS_M_S, *SPEEDS_M_S))]
    return write_runs(tmp_path_factory.mktemp("sweep") / "c", runs, CAMPAIGN)


@pytest.fixture(scope="module")
def results(campaign: Path) -> tuple[RunResult, ...]:
    """All runs of it."""
    return all_of(campaign)


def lift(result: RunResult) -> QuantityResult:
    """The only quantity."""
    (quantity,) = result.quantities
    return quantity


def near(result: RunResult, frequency_hz: float) -> tuple[str, str]:
    """Class and source of the peak nearest to a frequency, which lies within 4 % of it."""
    peak, kind = min(
        lift(result).followed, key=lambda pair: abs(pair[0].frequency_hz.value - frequency_hz)
    )
    assert peak.frequency_hz.value == pytest.approx(frequency_hz, rel=0.04)
    return kind.name, str(kind.source)


def speed(result: RunResult) -> float:
    """Of the wind."""
    assert result.analysis.flow is not None
    return result.analysis.flow.speed_m_s


def test_every_planted_peak_gets_its_class(results: tuple[RunResult, ...]) -> None:
    """Wake and fan scale, resonance and mains stay, in all six runs; the lines are named."""
    for result in results:
        blades_hz = FAN_HZ_PER_M_S * speed(result)
        wake_hz = WAKE_STROUHAL * speed(result) / LENGTH_M
        assert near(result, wake_hz) == ("scales with speed", "None")
        assert near(result, RIG_HZ) == ("fixed frequency", "None")
        assert near(result, HUM_HZ) == ("fixed frequency", "mains (50 Hz)")
        named = f"fan blades passing ({blades_hz:.4g} Hz)"
        assert near(result, blades_hz) == ("scales with speed", named)


def test_the_wake_is_named_beside_a_stronger_resonance(results: tuple[RunResult, ...]) -> None:
    """Alone a run takes the strongest broad peak; the sweep shows that it is the rig's."""
    for result in results:
        alone = run_result(result.analysis)
        assert alone.fundamental is not None
        assert alone.fundamental.frequency_hz.value == pytest.approx(RIG_HZ, rel=0.02)
        assert result.strouhal is not None
        assert result.strouhal.value == pytest.approx(WAKE_STROUHAL, rel=0.04)
        assert "beside that at 31." in result.strouhal_why or "at 30." in result.strouhal_why


def test_findings_say_what_the_rms_would_be(results: tuple[RunResult, ...]) -> None:
    """The resonance holds 0.03² of 0.03² + 0.02² + 2 · 0.01² + 0.004²: 59 % of the variance."""
    found = {finding.code: finding for finding in results[0].rig}

    assert set(found) == {"mains-line", "fan-line", "unstated-resonance"}
    assert found["unstated-resonance"].severity == "warning"
    share = float(found["unstated-resonance"].message.split("resonance nobody stated: ")[1][:2])
    assert share == pytest.approx(59, abs=8)
    assert "state natural_frequency and damping" in found["unstated-resonance"].advice
    assert found["mains-line"].severity == "note"
    assert found["mains-line"].message.startswith("mains (50 Hz): ")
    assert found["fan-line"].message.startswith("fan blades passing (46.5 Hz): ")
    assert {finding.channel for finding in results[0].rig} == {"lift"}


def test_the_table_of_peaks_says_what_its_classes_mean(results: tuple[RunResult, ...]) -> None:
    """Once, below all runs, and only where a class was told."""
    assert spectra_text(results).count("fixed in frequency (rig or mains)") == 1
    alone = spectra_text(follow([run_result(results[0].analysis)]))
    assert "fixed in frequency" not in alone
    assert "Class: only one wind speed" in alone


def test_a_single_run_is_undecided(results: tuple[RunResult, ...]) -> None:
    """With what to do; a line at the mains' frequency is named nevertheless."""
    (alone,) = follow([run_result(results[0].analysis)])

    kinds = [kind for _, kind in lift(alone).followed]
    assert {kind.name for kind in kinds} == {"undecided"}
    assert all("only one wind speed" in kind.why for kind in kinds)
    assert all("ask for all runs" in kind.why for kind in kinds)
    assert near(alone, HUM_HZ) == ("undecided", "mains (50 Hz)")


def test_an_unstated_fan_is_a_line_that_scales(tmp_path: Path) -> None:
    """Its finding asks for the rates of what turns."""
    runs = [wind_on(str(i + 1), at, stated=False) for i, at in enumerate(SPEEDS_M_S * 2)]
    result = sweep(tmp_path / "c", runs)[0]

    assert near(result, FAN_HZ_PER_M_S * 30.0) == ("scales with speed", "None")
    (finding,) = [one for one in result.rig if one.code == "scaling-line"]
    assert "state fan_speed, blades and belt_length under [tunnel]" in finding.advice


def test_hum_that_wind_off_runs_take_out_is_left_in_no_rms(tmp_path: Path) -> None:
    """Half of the variance as logged, none of the RMS, and the finding says so."""
    still = PlantedRun("0", {"lift": tone(HUM_HZ, 0.02) + white(0.004, 9)}, None)
    loud = PlantedRun(
        "1", {"lift": tone(HUM_HZ, 0.02) + white(0.02, 1)}, zero="0", channel={"unit": "1"}
    )
    result = sweep(tmp_path / "c", [still, loud])[1]

    (finding,) = [one for one in result.rig if one.code == "mains-line"]
    assert finding.severity == "note"
    assert finding.message.startswith("mains (50 Hz): 50% of the variance at 50 Hz as logged; ")
    assert "taking out the wind-off noise clears the RMS of it" in finding.message


def test_yaw_angles_are_followed_apart(tmp_path: Path) -> None:
    """Three speeds at three angles are one speed each."""
    runs = [wind_on(str(i + 1), at) for i, at in enumerate(SPEEDS_M_S)]
    folder = write_runs(tmp_path / "c", runs, CAMPAIGN)
    for i, run in enumerate(runs):
        sheet = run.sheet()
        sheet["run"] |= {"yaw": f"{5 * i} deg"}
        write_sheet(folder, run.number, sheet)

    for result in all_of(folder):
        assert {kind.name for _, kind in lift(result).followed} == {"undecided"}


def test_wind_off_peaks_are_not_classed(tmp_path: Path) -> None:
    """There is no wind to follow them over, but mains are mains."""
    still = PlantedRun("0", {"lift": tone(HUM_HZ, 0.02) + white(0.004, 9)}, None)
    (result,) = sweep(tmp_path / "c", [still, replace(wind_on("1", 40.0), zero="0")])[:1]

    ((_, kind),) = lift(result).followed
    assert kind.why == "there was no wind; it matches mains (50 Hz)"


def test_spectra_prints_classes_and_what_lines_match(campaign: Path) -> None:
    """In text within 80 columns, and in JSON with the reason and the source."""
    text = run_buffet("spectra", campaign).stdout
    printed = json.loads(run_buffet("spectra", campaign, "--json").stdout)["runs"][0]

    first = text.split("run 2,")[0]
    assert "kind  class" in first
    assert max(map(len, first.splitlines())) <= 80
    assert "Lines at the rate of: " in first
    assert "mains (50 Hz)" in first
    peaks = {peak["source"]: peak for peak in printed["channels"][0]["peaks"]}
    assert peaks["mains (50 Hz)"]["class"] == "fixed frequency"
    assert "its frequency stays within" in peaks["mains (50 Hz)"]["class_why"]
    assert "unstated-resonance" in {finding["code"] for finding in printed["findings"]}


def test_spectra_of_one_run_asks_for_all(campaign: Path) -> None:
    """The reason stands below the table once."""
    text = " ".join(run_buffet("spectra", campaign, "--run", "1").stdout.split())

    reason = "Class: only one wind speed of this configuration was read: ask for all runs."
    assert text.count(reason) == 1


def test_rating_names_the_resonance_it_rests_on(campaign: Path) -> None:
    """The car on the road has no such balance; the wake beside it gives the Strouhal number."""
    speed_m_s = 130 / 3.6
    analysis = analyse(open_campaign(campaign))
    rating = rate(analysis, RatingSettings(speed_m_s, up_to_m_s=speed_m_s))
    (one,) = rating.configurations

    assert "A resonance of the rig holds up to" in one.why
    assert "the car on the road does not have it" in one.why
    assert one.shedding is not None
    assert one.shedding.strouhal.value == pytest.approx(WAKE_STROUHAL, rel=0.02)
    assert "unstated-resonance" in {finding.code for finding in rating.findings}


def test_check_lists_what_is_rig(campaign: Path) -> None:
    """With codes that scripts may rely on."""
    text = run_buffet("check", campaign).stdout

    for code in ("mains-line", "fan-line", "unstated-resonance"):
        assert f"[{code}]" in text
