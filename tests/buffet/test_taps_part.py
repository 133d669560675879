"""`spectra --what taps` on a simulated campaign: values, modes, the row, text, JSON and maps."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import CampaignAnalysis, analyse
from buffet.one_pass import AnalysisSettings
from buffet.parts import Absent, PartSettings
from buffet.report.look import drawing
from buffet.report.tap_maps import in_a_plane, views
from buffet.report.taps_figure import figure
from buffet.run_spectra import RunResult, run_result
from buffet.taps.convection import RowConvection
from buffet.taps.document import document
from buffet.taps.part import RunTaps, of_run
from buffet.taps.text import text
from ingest import open_campaign
from tests.buffet.tap_campaign import (
    LATERAL_HZ,
    OWN_RMS,
    ROOF_RMS,
    TRAVEL_M_S,
    VERTICAL_HZ,
    rear_patterns,
    rear_places,
    write_tap_campaign,
)

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> CampaignAnalysis:
    """The campaign with what the part needs."""
    folder = write_tap_campaign(tmp_path_factory.mktemp("taps") / "campaign")
    keeps = AnalysisSettings(keeps=frozenset({"matrix", "copy"}))
    return analyse(open_campaign(folder), None, keeps)


@pytest.fixture(scope="module")
def result(analysed: CampaignAnalysis) -> RunResult:
    """Of the run with wind; peaks of four taps, which take most of the time."""
    few = {"rear 1", "rear 2", "rear 8", "roof 3"}
    return run_result(analysed.runs[0], lambda quantity: quantity.name in few)


@pytest.fixture(scope="module")
def taps(result: RunResult) -> RunTaps:
    """Its taps."""
    found = of_run(result, PartSettings())
    assert isinstance(found, RunTaps)
    return found


def test_values_are_those_planted(taps: RunTaps) -> None:
    """Means as written, RMS of the roof and of the rear's middle tap, peaks about the mean."""
    by_name = {one.name: one for one in taps.values}
    first, middle = by_name["roof 1"], by_name["rear 5"]

    assert len(by_name) == 15
    assert first.mean.value == pytest.approx(-0.38, abs=0.002)
    assert first.rms is not None
    assert middle.rms is not None
    assert first.rms.value == pytest.approx(ROOF_RMS, rel=0.03)
    assert middle.rms.value == pytest.approx(OWN_RMS, rel=0.05)
    assert middle.largest is not None
    assert middle.smallest is not None
    # 30 000 normal values: the largest lies 4.1 ± 0.35 deviations out (Gumbel's limit)
    assert (middle.largest - middle.mean.value) / OWN_RMS == pytest.approx(4.1, abs=1.0)
    assert (middle.mean.value - middle.smallest) / OWN_RMS == pytest.approx(4.1, abs=1.0)


def test_planted_patterns_lead_at_their_frequencies(taps: RunTaps) -> None:
    """Left against right and up against down, the first two of the rear's in space too."""
    assert taps.modes is not None
    assert taps.modes.noise_removed
    for pattern, hz in zip(rear_patterns(), (LATERAL_HZ, VERTICAL_HZ), strict=True):
        peak = next(p for p in taps.modes.peaks if abs(p.frequency_hz - hz) < 0.7)
        rear = peak.shape[6:]
        alike = abs(np.vdot(pattern, rear)) / (np.linalg.norm(pattern) * np.linalg.norm(rear))
        assert alike > 0.99
        assert peak.share > peak.chance
        in_space = np.abs(pattern @ taps.modes.space.shape[6:, :5]) / np.linalg.norm(pattern)
        assert in_space.max() > 0.9
    assert sum(taps.modes.space.share) == pytest.approx(1.0)


def test_the_row_tells_the_planted_speed(taps: RunTaps) -> None:
    """Rearward at 0.7 of the wind speed; all taps of the roof, none of the rear."""
    (row,) = taps.rows
    assert isinstance(row, RowConvection)
    speed = row.travel.speed_m_s
    assert speed is not None
    assert speed.low is not None
    assert speed.high is not None
    assert row.taps == tuple(f"roof {i}" for i in range(1, 7))
    assert row.direction == "rearward"
    assert row.places_m[-1] == pytest.approx(0.42)
    assert speed.low < TRAVEL_M_S < speed.high
    assert speed.high - speed.low < 0.03 * TRAVEL_M_S
    assert not row.misfits


def test_text_fits_a_terminal_and_tells_all(taps: RunTaps) -> None:
    """80 columns; taps, modes, peaks and the row."""
    told = text(taps)

    assert max(map(len, told.splitlines())) <= 80
    assert "Taps: 15" in told
    assert "Mode at 11" in told
    assert "unrelated taps" in told
    assert "convection speed" in told
    assert "rearward" in told
    assert " hold " not in told
    both = text(replace(taps, holds_lines=True, observed_hold=("the lines",)))
    assert "Modes and rows hold the lines." in both
    assert "The values observed hold the lines." in both


def test_json_holds_shapes_and_reasons(taps: RunTaps) -> None:
    """No NaN; shapes over taps in the order of their names."""
    told: dict[str, Any] = json.loads(json.dumps(document(taps), allow_nan=False))

    assert len(told["taps"]) == 15
    assert told["taps"][0]["at_m"] == [-0.2, 0.0, 0.43]
    assert told["taps"][0]["largest_observed"] > told["taps"][0]["mean"]["value"]
    modes = told["modes"]
    assert len(modes["space"][0]["shape"]) == len(modes["taps"]) == 15
    assert np.sum(np.square(modes["space"][0]["shape"])) == pytest.approx(1.0)
    assert len(modes["eigenvalues"][0]) == len(modes["frequency_hz"])
    assert told["rows"][0]["travel"]["speed_why"] is None
    assert len(told["rows"][0]["pairs"]) == 15


def test_runs_without_wind_or_matrix_have_no_part(analysed: CampaignAnalysis) -> None:
    """The reason is told."""
    off = of_run(run_result(analysed.wind_off[0], lambda quantity: False), PartSettings())

    assert off == Absent("there was no wind")


def test_the_figure_maps_both_views(result: RunResult, taps: RunTaps) -> None:
    """Modes above, five maps from the side and from behind at one scale, the row's delays."""
    with drawing():
        drawn = figure([(result, taps)])
        drawn.canvas.draw()
    titles = [axes.get_title(loc="left") for axes in drawn.get_axes()]

    assert "spectral modes" in titles
    assert "mean, side view" in titles
    assert "RMS, from behind" in titles
    assert any(title.startswith("row roof: 2") for title in titles)
    maps = [axes for axes in drawn.get_axes() if "from behind" in axes.get_title(loc="left")]
    assert len(maps) == 5
    assert all(axes.get_aspect() == 1.0 for axes in maps)


def told_views(at_m: Array) -> dict[str, tuple[int, ...]]:
    """Title and taps of each view."""
    return {view.title: view.taps for view in views(at_m)}


def test_taps_are_seen_from_where_they_face() -> None:
    """Rearmost ones from behind, the others from their side; middle ones from both sides."""
    sides = np.array([(x, y, 0.3) for x in (-0.3, 0.0, 0.2) for y in (-0.2, 0.2)])
    roof = np.array([(0.0, 0.0, 0.45)])
    seen = told_views(np.concatenate([sides, roof, rear_places()]))

    assert seen["left side"] == (0, 2, 4, 6)
    assert seen["right side"] == (1, 3, 5, 6)
    assert seen["from behind"] == tuple(range(7, 16))
    assert set(told_views(rear_places())) == {"from behind"}
    assert set(told_views(roof + np.arange(3)[:, None] * [0.1, 0.0, 0.0])) == {"side view"}


def test_taps_that_could_belong_to_either_view_are_in_both() -> None:
    """One a fifth of the length ahead of the rearmost."""
    at = np.concatenate([rear_places(), [(-0.4, 0.0, 0.4), (0.4, 0.1, 0.4)]])
    seen = told_views(at)

    assert seen["from behind"] == tuple(range(11))


def test_nothing_is_drawn_between_few_taps_or_taps_in_a_line() -> None:
    """Eight that span a plane are enough."""
    plane = rear_places()[:, 1:]

    assert in_a_plane(plane)
    assert not in_a_plane(plane[:7])
    assert not in_a_plane(np.column_stack([np.arange(9.0), np.arange(9.0)]))
