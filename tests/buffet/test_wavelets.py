"""The part `wavelets` of a run: bursts planted in its lift, told as text, JSON and figure."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import AnalysisSettings, CampaignAnalysis, analyse
from buffet.following import follow
from buffet.parts import Absent, PartSettings
from buffet.report.look import drawing
from buffet.report.wavelets_figure import MOST_RUNS, figure
from buffet.run_spectra import RunResult, run_result
from buffet.wavelets.document import document
from buffet.wavelets.part import FUNDAMENTAL, NO_PEAK, OWN_PEAK, Band, RunWavelets, of_run
from buffet.wavelets.text import text
from ingest import open_campaign
from tests.buffet.campaigns import RATE_HZ, SCALE, WIND_M_S, PlantedRun, band_noise, write_runs
from tests.thorough.records import Resonance, from_density

Array = NDArray[np.float64]

SECONDS = 60.0
PEAK = Resonance(20.0, 3.0, 0.02**2)
PERIOD_S, ON_S = 4.0, 1.2  # regular bursts: 30 % of the time
ROAD_M_S = 36.0


def shedding(seed: int) -> Array:
    """Steady, Gaussian, over a white floor."""
    rng = np.random.default_rng(seed)
    peak = from_density(PEAK.density, 1, SECONDS, rng, RATE_HZ)[0]
    return peak + band_noise(seed + 1, 0.004, SECONDS)


def in_bursts(seed: int) -> Array:
    """The same peak, on for ON_S of every PERIOD_S."""
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    on = time_s % PERIOD_S < ON_S
    rng = np.random.default_rng(seed)
    peak = from_density(PEAK.density, 1, SECONDS, rng, RATE_HZ)[0]
    return peak * on / np.sqrt(ON_S / PERIOD_S) + band_noise(seed + 1, 0.004, SECONDS)


def result_of(folder: Path, samples: dict[str, Array], **more: Any) -> RunResult:
    """The one wind-on run of a campaign with these samples, its copy kept."""
    write_runs(folder, [PlantedRun("1", samples, **more)])
    analysis: CampaignAnalysis = analyse(
        open_campaign(folder), settings=AnalysisSettings(keeps=frozenset({"copy"}))
    )
    (one,) = (*analysis.wind_off, *analysis.runs)
    return follow([run_result(one)])[0]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunResult, RunWavelets]:
    """Lift in bursts, drag steady, side force without a peak."""
    samples = {
        "lift": 0.1 + in_bursts(1),
        "drag": 0.3 + shedding(5),
        "side force": band_noise(9, 0.01, SECONDS),
    }
    result = result_of(tmp_path_factory.mktemp("bursts") / "campaign", samples)
    found = of_run(result, PartSettings(road_speed_m_s=ROAD_M_S))
    assert isinstance(found, RunWavelets)
    return result, found


def test_planted_bursts_are_found_and_steady_shedding_is_not(
    run: tuple[RunResult, RunWavelets],
) -> None:
    """Share of the time 0.3 and spells of 1.2 and 2.8 s, blurred by a period or two of 0.05 s."""
    by_name = {one.quantity: one for one in run[1].quantities}
    lift, drag = by_name["lift"], by_name["drag"]
    assert lift.p_value < 0.001
    assert lift.energy.active_share == pytest.approx(0.3, abs=0.05)
    assert lift.energy.longest_above_s == pytest.approx(ON_S, abs=0.4)
    assert lift.energy.longest_below_s == pytest.approx(PERIOD_S - ON_S, abs=0.4)
    assert drag.p_value > 0.05
    assert drag.energy.intermittency == pytest.approx(1.0, abs=0.15)
    assert (lift.band.why, drag.band.why) == (OWN_PEAK, OWN_PEAK)
    assert by_name["side force"].band.why == FUNDAMENTAL
    assert lift.band.centre_hz == pytest.approx(20.0, rel=0.03)


def test_energy_is_the_variance_in_the_band(run: tuple[RunResult, RunWavelets]) -> None:
    """A band of ±3 Hz about 20 Hz holds the resonance's variance there, in closed form by sum."""
    drag = next(one for one in run[1].quantities if one.quantity == "drag")
    grid = np.arange(drag.band.low_hz, drag.band.high_hz, 0.01)
    inside = float(PEAK.density(grid).sum() * 0.01)
    assert float(drag.energy.energy.mean()) == pytest.approx(inside, rel=0.25)


def test_seconds_are_carried_to_lengths_and_to_the_road(
    run: tuple[RunResult, RunWavelets],
) -> None:
    """U / L, and (U / L) (L_full / V): by hand."""
    found = run[1]
    assert found.lengths_per_s == pytest.approx(WIND_M_S / 0.435, rel=0.01)
    assert found.road_per_s == pytest.approx(WIND_M_S / SCALE / ROAD_M_S, rel=0.01)


def test_text_fits_a_terminal_and_says_what_bursts(run: tuple[RunResult, RunWavelets]) -> None:
    """Eighty columns, some fifteen lines."""
    lines = text(run[1]).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 16
    told = " ".join(lines)
    assert "In bursts: lift. " in told
    assert re.search(r"lift is as unsteady as noise that is there for (2|3)\d% of the", told)
    assert "s on the road at 130 km/h" in told


def test_document_is_json_with_reasons_for_nulls(run: tuple[RunResult, RunWavelets]) -> None:
    """Energy in few columns that all quantities share, null where the ends reach."""
    told = json.loads(json.dumps(document(run[1]), allow_nan=False))
    lift = told["quantities"][0]
    assert lift["name"] == "lift"
    assert len(lift["energy"]) == len(told["time_s"]) == 240
    assert lift["longest_below_lengths"] == pytest.approx(
        lift["longest_below_s"] * told["lengths_per_s"]
    )
    energy = np.array([value if value is not None else np.nan for value in lift["energy"]])
    at_s = np.array(told["time_s"])
    on = at_s % PERIOD_S < ON_S
    assert np.nanmean(energy[on]) > 20 * np.nanmedian(energy[~on])


def test_figure_draws_few_runs_and_says_how_many_more(
    run: tuple[RunResult, RunWavelets],
) -> None:
    """Three panels and a scale of power a run; bounded columns of time."""
    with drawing():
        drawn = figure([run] * (MOST_RUNS + 2))
    assert len(drawn.axes) == 4 * MOST_RUNS
    assert "2 more runs not drawn" in (drawn.get_supxlabel()).replace("\n", " ")
    assert run[1].drawn.quantity == run[0].fundamental.channel if run[0].fundamental else True


def test_a_run_without_peak_or_samples_says_so(tmp_path: Path) -> None:
    """White noise has no band to look at; without a copy there is nothing over time."""
    result = result_of(tmp_path / "white", {"lift": band_noise(3, 0.01, SECONDS)})
    white = of_run(result, PartSettings())
    assert isinstance(white, Absent)
    assert NO_PEAK in white.why
    bare = replace(result, analysis=replace(result.analysis, copy=None))
    assert isinstance(of_run(bare, PartSettings()), Absent)


def test_samples_hold_what_was_taken_out_of_the_spectra(
    run: tuple[RunResult, RunWavelets],
) -> None:
    """They are as read, and the text says so."""
    result = run[0]
    without = replace(result.analysis, with_lines=result.analysis)
    found = of_run(replace(result, analysis=without), PartSettings())
    assert isinstance(found, RunWavelets)
    assert "Energy over time holds the lines." in text(found)
    assert document(found)["holds_more"] == ["the lines"]


def test_a_band_is_as_wide_as_the_wavelet_and_no_lower_than_half_its_frequency() -> None:
    """0.139 f0 at least (half power of the Morlet wavelet); a very broad peak does not reach 0."""
    narrow, broad = Band.around(20.0, 0.1, 100.0, ""), Band.around(20.0, 30.0, 45.0, "")
    assert narrow.high_hz - 20.0 == pytest.approx(0.1388 * 20, rel=1e-3)
    assert (broad.low_hz, broad.high_hz) == (10.0, 45.0)
