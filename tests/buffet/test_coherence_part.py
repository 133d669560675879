"""Which tap drives which force: planted shares, delays and lines, found again by the command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.coherence.cross_spectra import quantity_cross, quantity_psd
from buffet.coherence.part import Coherence, of_run
from buffet.one_pass import AnalysisSettings
from buffet.parts import Absent, PartSettings
from buffet.report.coherence_figure import figure
from buffet.run_spectra import RunResult, run_result
from ingest import open_campaign
from tests.buffet.campaigns import RATE_HZ, PlantedRun, band_noise, run_buffet, wind_off, write_runs

Array = NDArray[np.float64]

SECONDS = 60.0
LATE = 4  # samples, 16 ms
TAP_RMS, SLOPE, OWN = 0.05, -0.4, 0.02
MAINS_HZ = 50.0
# Of the lift's power: SLOPE² TAP² beside its own.
SHARE = (SLOPE * TAP_RMS) ** 2 / ((SLOPE * TAP_RMS) ** 2 + OWN**2)


def planted() -> PlantedRun:
    """Lift follows a tap, late and opposed; drag follows nothing; the mains are in all of them."""
    tap = band_noise(1, TAP_RMS, SECONDS + 1)
    n = round(SECONDS * RATE_HZ)
    lift = SLOPE * tap[:n] + band_noise(2, OWN, SECONDS)
    hum = np.sin(2 * np.pi * MAINS_HZ * np.arange(n) / RATE_HZ)
    samples = {
        "drag": 0.3 + band_noise(3, 0.01, SECONDS) + 0.01 * hum,
        "lift": 0.1 + lift + 0.02 * hum,
        "pressure": -0.2 + tap[LATE : n + LATE] + 0.05 * hum,
    }
    return PlantedRun("1", samples)


def forces(seconds: float = SECONDS) -> PlantedRun:
    """Drag, side force that follows it at once, lift and pitch moment by themselves; no tap."""
    drag = band_noise(4, 0.01, seconds)
    return PlantedRun(
        "2",
        {
            "drag": drag,
            "side force": drag + band_noise(5, 0.01, seconds),
            "lift": band_noise(6, 0.01, seconds),
            "pitch moment": band_noise(7, 0.01, seconds),
        },
    )


def analysed(folder: Path, *runs: PlantedRun, keep: bool = True) -> list[RunResult]:
    """Results of all runs, wind-off ones first."""
    write_runs(folder, runs)
    keeps: Any = frozenset({"matrix", "tapers"}) if keep else frozenset()
    analysis = analyse(open_campaign(folder), None, AnalysisSettings(None, keeps=keeps))
    return [run_result(one, lambda quantity: False) for one in (*analysis.wind_off, *analysis.runs)]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The planted run."""
    return write_runs(tmp_path_factory.mktemp("coherence") / "campaign", [planted()])


@pytest.fixture(scope="module")
def entry(campaign: Path) -> dict[str, Any]:
    """Its JSON, with a pair asked for and one that is not there."""
    pairs = ("--pair", "pressure", "lift", "--pair", "pressure", "yaw moment")
    done = run_buffet("spectra", campaign, "--what", "coherence", *pairs, "--json")
    return dict(json.loads(done.stdout)["runs"][0]["coherence"])


def holds(interval: dict[str, float], truth: float) -> bool:
    """Whether an interval of the JSON holds a truth."""
    return interval["low"] <= truth <= interval["high"]


def test_the_share_and_the_delay_planted_are_found(entry: dict[str, Any]) -> None:
    """Within their intervals, which are narrow: half of the lift, 16 ms late and opposed."""
    ranked = {one["force"]: one for one in entry["ranked"]}
    (link,) = ranked["lift"]["links"]
    assert link["name"] == "pressure"
    assert holds(link["share"], SHARE)
    assert link["share"]["high"] - link["share"]["low"] < 0.1
    assert link["beyond_chance"]
    assert holds(link["delay_s"], LATE / RATE_HZ)
    assert link["delay_s"]["high"] - link["delay_s"]["low"] < 0.002
    assert link["delay_opposite"]
    assert holds(link["coherence"], SHARE)  # white noise: the same at all frequencies


def test_a_line_in_all_channels_makes_no_tap_drive_a_force(entry: dict[str, Any]) -> None:
    """The drag's coherence of the mains' pick-up, nearly 1, is left out."""
    (drag,) = (one for one in entry["ranked"] if one["force"] == "drag")
    (link,) = drag["links"]
    assert not link["beyond_chance"]
    assert link["share"]["low"] == 0
    assert link["delay_why"] == "nothing is coherent"
    assert drag["threshold"] < 0.6


def test_a_pair_asked_for_has_curves(entry: dict[str, Any]) -> None:
    """Phase of the lift against the tap: opposed, and 2πf times the delay late; line and all."""
    (pair,) = entry["pairs"]
    assert (pair["first"], pair["second"]) == ("pressure", "lift")
    assert entry["pairs_not_in_this_run"] == [["pressure", "yaw moment"]]
    frequency = np.array(pair["frequency_hz"])
    off_line = np.abs(frequency - MAINS_HZ) > 2
    expected = SLOPE * np.exp(-2j * np.pi * frequency * LATE / RATE_HZ)
    half = np.array([np.pi if one is None else one for one in pair["phase_half_rad"]])
    off = np.abs(np.angle(np.exp(1j * np.array(pair["phase_rad"])) / expected))
    assert 0.9 < np.mean((off <= half)[off_line]) < 0.99
    for low, high, truth in (
        ("coherence_low", "coherence_high", SHARE),
        ("gain_low", "gain_high", -SLOPE),
    ):
        held = (np.array(pair[low]) <= truth) & (truth <= np.array(pair[high]))
        assert 0.9 < held[off_line].mean() < 0.99
    at_line = int(np.argmin(np.abs(frequency - MAINS_HZ)))
    assert pair["coherence"][at_line] > 0.95
    assert not pair["share_channels"]


def test_the_text_tells_what_follows_what(campaign: Path) -> None:
    """Forces that follow, those that do not, and that coherence is no cause; 80 columns."""
    pair = ("--pair", "pressure", "lift", "--pair", "lift", "yaw moment")
    text = run_buffet("spectra", campaign, "--what", "coherence", *pair).stdout
    row = next(line.split() for line in text.splitlines() if line.startswith("lift "))
    assert row[1] == "pressure"
    assert "Nothing beyond chance: drag." in text
    assert "Coherence is not cause" in " ".join(text.split())
    assert "ms, opposite in sign." in " ".join(text.split())
    assert "lift with yaw moment: not in this run." in text
    assert max(map(len, text.splitlines())) <= 80


def test_forces_are_held_against_one_another_where_there_is_no_tap(tmp_path: Path) -> None:
    """Each pair once; what rests on one channel, as front lift and lift do, is left out."""
    (result,) = analysed(tmp_path / "campaign", forces())
    found = of_run(result, PartSettings(pairs=(("lift", "front lift"),)))
    assert isinstance(found, Coherence)
    pairs = [{one.force, link.name} for one in found.ranked for link in one.links]
    assert {"drag", "side force"} in pairs
    assert len({frozenset(pair) for pair in pairs}) == len(pairs)
    for other in ("lift", "rear lift", "pitch moment"):
        assert {"front lift", other} not in pairs
    beyond = [(one.force, link.name) for one in found.ranked for link in one.beyond_chance]
    assert beyond == [("drag", "side force")]
    assert found.pairs[0].share_channels


def test_cross_spectra_of_quantities_add_up(tmp_path: Path) -> None:
    """Front and rear lift make the lift; the PSD is that of the reduction."""
    (result,) = analysed(tmp_path / "campaign", forces())
    signal = result.analysis.signal
    names = ("lift", "front lift", "rear lift", "drag", "side force")
    lift, front, rear, drag, side = (signal.index(name) or 0 for name in names)
    cross = quantity_cross(result.analysis, [drag, side], [lift, front, rear])
    np.testing.assert_allclose(cross[:, 0], cross[:, 1] + cross[:, 2], atol=1e-12)
    own = quantity_psd(result.analysis, [drag, lift])
    np.testing.assert_allclose(own, signal.psd[[drag, lift]], rtol=1e-6)  # transforms are single


def test_a_run_that_cannot_have_it_says_why(tmp_path: Path) -> None:
    """Without wind, without cross-spectra, and with nothing to hold against a force."""
    lone = PlantedRun("3", {"lift": band_noise(8, 0.01, SECONDS)})
    off, one = analysed(tmp_path / "lone", wind_off("0"), lone)
    (bare,) = analysed(tmp_path / "bare", forces(), keep=False)
    reasons = [of_run(result, PartSettings()) for result in (off, one, bare)]
    assert [reason.why for reason in reasons if isinstance(reason, Absent)] == [
        "there was no wind",
        "there is no force with a tap or another force beside it; ask for a pair of channels",
        "the cross-spectra of all channels were not kept",
    ]
    pair = of_run(off, PartSettings(pairs=(("drag", "lift"),)))
    assert isinstance(pair, Coherence)
    assert not pair.ranked
    assert pair.pairs[0].delay.why == "nothing is coherent"


def test_the_picture_shows_the_strongest_pair_of_each_force(campaign: Path) -> None:
    """Coherence with its threshold, phase over one turn, gain; titles name the pair."""
    analysis = analyse(
        open_campaign(campaign), None, AnalysisSettings(None, keeps=frozenset({"matrix", "tapers"}))
    )
    result = run_result(analysis.runs[0], lambda quantity: False)
    found = of_run(result, PartSettings())
    assert isinstance(found, Coherence)
    drawn = figure([(result, found)])
    coherence, phase, _ = drawn.axes
    assert coherence.get_title() == "run 1: lift\nagainst pressure"
    assert list(coherence.lines[1].get_ydata()) == [found.strongest[0].threshold] * 2
    low, high = phase.get_ylim()
    assert high - low == 360
