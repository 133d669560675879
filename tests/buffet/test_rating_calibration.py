"""Calibration uncertainty in a verdict's budget, against the law of propagation by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buffet.analysis import analyse
from buffet.rating.rate import RatingSettings, rate
from buffet.rating.verdict import CriterionRating
from buffet.rating.wording import budget_text
from ingest import open_campaign
from tests.buffet.campaigns import PlantedRun, band_noise, write_runs, write_sheet
from tests.buffet.test_rating_chain import EXACT, SPEED_M_S


@pytest.fixture(autouse=True)
def _without_peaks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing here rests on them."""
    monkeypatch.setattr("buffet.rating.rate.shows_shedding", lambda quantity: False)


def rated(
    folder: Path, runs: list[PlantedRun], air: dict[str, Any] | None = None
) -> dict[str, CriterionRating]:
    """Criteria of the only configuration, by id, with more said of the air."""
    write_runs(folder, runs)
    for run in runs:
        sheet = run.sheet()
        write_sheet(folder, run.number, {**sheet, "air": {**sheet["air"], **(air or {})}})
    settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=EXACT)
    (one,) = rate(analyse(open_campaign(folder)), settings).configurations
    return {row.criterion.id: row for row in one.criteria}


def lift(number: str = "1") -> PlantedRun:
    """Lift alone, white up to 20 Hz on the road."""
    return PlantedRun(number, {"lift": 0.1 + band_noise(int(number), 0.03, 60.0, 1.0, 74.0)})


def calibration_variance(row: CriterionRating) -> float:
    """Variance of the logarithm of the metric, from its interval and its budget's share."""
    from scipy.stats import norm

    metric = row.metric
    assert metric is not None
    assert metric.high is not None
    spread = np.log(metric.high / metric.value) / norm.ppf(0.975)
    return float(row.budget["calibration"] * spread**2)


def test_a_gain_of_ten_percent_is_ten_percent_of_what_is_felt(tmp_path: Path) -> None:
    """u(ln a) = u(gain) where one channel makes all of it, whatever the number of runs."""
    runs = [replace(lift(n), channel={"gain_uncertainty": 0.10}) for n in ("1", "2")]
    row = rated(tmp_path / "c", runs)["vertical-comfort"]
    # A step of 10 % is 9.5 % on the logarithm; Student's t widens the interval by up to 2 %.
    assert np.sqrt(calibration_variance(row)) == pytest.approx(np.log(1.10), rel=0.03)
    assert "A better calibration" in budget_text(row)


def test_dynamic_pressure_counts_in_full_and_independent_gains_in_squares(tmp_path: Path) -> None:
    """Front and rear lift of equal size and in step: half the sensitivity to each gain."""
    half = band_noise(1, 0.015, 60.0, 1.0, 74.0)
    samples = {"front lift": 0.05 + half, "rear lift": 0.05 + half}
    run = PlantedRun("1", samples, channel={"gain_uncertainty": 0.06})
    rows = rated(tmp_path / "c", [run], {"dynamic_pressure_uncertainty": 0.05})
    by_hand = np.hypot(0.05, 0.06 / np.sqrt(2))
    found = np.sqrt(calibration_variance(rows["vertical-comfort"]))
    assert found == pytest.approx(by_hand, rel=0.05)
    assert rows["rear-load"].budget["calibration"] > 0


def test_what_is_not_stated_is_not_in_the_budget(tmp_path: Path) -> None:
    """Neither as nothing nor as a source."""
    assert "calibration" not in rated(tmp_path / "c", [lift()])["vertical-comfort"].budget
