"""The jolt of a wake that changes its state, against the car moved in time by one step."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.one_pass import AnalysisSettings
from buffet.perception import weighted_in_time
from buffet.rating.rate import FOR_RATING, ConfigurationRating, RatingSettings, rate
from buffet.rating.verdict import CriterionRating
from buffet.switching.force_states import campaign_states, runs_needed
from ingest import open_campaign
from tests.buffet.campaigns import RATE_HZ, PlantedRun, band_noise, write_runs
from tests.buffet.car_in_time import FINER, pushed
from tests.buffet.test_rating_chain import (
    AREA_M2,
    EXACT,
    ROAD_DENSITY,
    SPEED_M_S,
    WHEELBASE_M,
)

Array = NDArray[np.float64]

# Upper less lower state, of the coefficients.
STEP = {"drag": 0.004, "lift": 0.030, "pitch moment": -0.012}
SHEDDING_RMS = 0.006


@pytest.fixture(autouse=True)
def _without_peaks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing here rests on them."""
    monkeypatch.setattr("buffet.rating.rate.shows_shedding", lambda quantity: False)


def telegraph(seed: int, seconds: float, dwell_s: float) -> Array:
    """0 or 1, each held for an exponential time."""
    rng = np.random.default_rng(seed)
    edges = np.cumsum(rng.exponential(dwell_s, round(4 * seconds / dwell_s) + 10))
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.searchsorted(edges, times) % 2, float)


def planted(
    number: str, seconds: float = 60.0, dwell_s: float = 2.0, size: float = 1.0
) -> PlantedRun:
    """Shedding at 18 Hz on a wake of two states; without states at a size of 0."""
    seed = int(number)
    state = telegraph(seed, seconds, dwell_s)
    shed = band_noise(seed + 100, SHEDDING_RMS, seconds, 15.0, 60.0)
    share = {"drag": 0.2, "lift": 1.0, "pitch moment": -0.4}
    samples = {word: 0.2 + size * step * state + share[word] * shed for word, step in STEP.items()}
    return PlantedRun(number, samples)


def rated(folder: Path, runs: list[PlantedRun]) -> ConfigurationRating:
    """The only configuration."""
    campaign = open_campaign(write_runs(folder, runs))
    analysis = analyse(campaign, settings=AnalysisSettings(keeps=FOR_RATING))
    settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=EXACT)
    (one,) = rate(analysis, settings).configurations
    return one


def row(one: ConfigurationRating, name: str = "state-change") -> CriterionRating:
    """One criterion."""
    return next(row for row in one.criteria if row.criterion.id == name)


def peak_in_time() -> float:
    """One step of the loads on the car of Newton's equations, weighted by the filter in time."""
    load_n = 0.5 * ROAD_DENSITY * SPEED_M_S**2 * AREA_M2
    step_s = 1 / 200
    n = round(8 / step_s)
    # Down again after 4 s, since the history is taken as periodic: the peak is alike.
    shape = np.where(np.arange(n) < n // 2, 0.0, 1.0) * load_n
    motion = pushed(
        EXACT,
        step_s,
        STEP["drag"] * shape,
        STEP["lift"] * shape,
        STEP["pitch moment"] * WHEELBASE_M * shape,
    )
    weighted = weighted_in_time("Wk", motion.seat_m_s2, FINER / step_s)
    return float(np.abs(weighted[len(weighted) // 4 :]).max())


def test_the_peak_is_that_of_the_car_moved_in_time(tmp_path: Path) -> None:
    """Two runs of two states, some thirty changes each."""
    one = rated(tmp_path / "c", [planted("1"), planted("2")])
    found = row(one)
    assert found.metric is not None
    assert found.metric.low is not None
    assert found.metric.high is not None
    expected = peak_in_time()
    # The step in time rings where it is cut at 100 Hz; the rest is the levels' own scatter.
    assert found.metric.low * 0.98 < expected < found.metric.high * 1.02
    assert found.metric.value == pytest.approx(expected, rel=0.06)
    assert found.metric.high / found.metric.low < 1.3


def test_few_changes_leave_every_vertical_row_undetermined(tmp_path: Path) -> None:
    """Eight of them, in one run: known to a factor of two at best."""
    runs = [planted("7", dwell_s=6.0)]
    one = rated(tmp_path / "c", runs)
    assert row(one).verdict == "undetermined"
    assert "fewer than 10 times" in (row(one).why or "")
    assert row(one, "vertical-comfort").verdict == "undetermined"
    assert one.onset is None


def test_a_wake_of_one_state_has_no_such_row(tmp_path: Path) -> None:
    """It is null, says so, and does not count."""
    found = row(rated(tmp_path / "c", [planted("1", size=0.0)]))
    assert (found.metric, found.verdict, found.why) == (None, None, "no two states were found")


def test_without_samples_the_row_says_so(tmp_path: Path) -> None:
    """An analysis that kept no copy still rates the rest."""
    campaign = open_campaign(write_runs(tmp_path / "c", [planted("1")]))
    settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=EXACT)
    (one,) = rate(analyse(campaign), settings).configurations
    for name in ("state-change", "vertical-burst"):
        assert row(one, name).why == "the runs' samples were not kept"
    assert row(one, "vertical-comfort").metric is not None


def test_runs_that_chance_would_make_are_not_enough(tmp_path: Path) -> None:
    """One of three runs switches: of three runs of one state, one in 17 campaigns has such."""
    runs = [planted("1"), planted("2", size=0.0), planted("3", size=0.0)]
    campaign = open_campaign(write_runs(tmp_path / "c", runs))
    analysis = analyse(campaign, settings=AnalysisSettings(keeps=FOR_RATING))
    states = campaign_states({"bare": analysis.runs}, ("drag", "lift", "pitch moment"))["bare"]
    assert not states.runs
    assert states.why_none == "two states were found in 1 of 3 runs, which may be chance"


def test_runs_needed_are_those_of_the_binomial_distribution() -> None:
    """P(X >= k) of n runs at 2 % each, by hand: 1 - 0.98 = 0.02, 1 - 0.98² = 0.0396, and so on."""
    assert [runs_needed(n) for n in (1, 2, 6)] == [1, 2, 2]
    # Seven runs: 1 - 0.98^7 - 7 · 0.02 · 0.98^6 = 0.0079; twelve: 0.0231, too much for two.
    assert [runs_needed(n) for n in (7, 12)] == [2, 3]
