"""A small campaign on the board: a bare car and an add-on whose name hurts careless pages."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from buffet.board.document import board_document
from buffet.board.signals import signal_envelopes
from buffet.comparing import Comparison, compare
from buffet.comparison_document import comparison_document
from buffet.documents import spectra_document
from buffet.library import analyse
from buffet.rating.rate import Rating, RatingSettings, rate
from ingest import open_campaign, zeros_of
from tests.buffet.campaigns import CAMPAIGN, FEW_CARS, WIND_M_S, PlantedRun, changed, write_runs
from tests.buffet.report_campaign import HOSTILE, HOSTILE_TITLE
from tests.buffet.test_following import WAKE_STROUHAL, noise, white
from tests.shared import computed_once

SPEED_M_S = 130 / 3.6
HIGHEST_M_S = 200 / 3.6
LENGTH_M = 0.435  # of the model; see CAMPAIGN


@computed_once
def comparison() -> Comparison:
    """At 130 km/h, searched up to 200."""
    with TemporaryDirectory() as name:
        folder = _written(Path(name) / "c")
        return compare(rated(analyse(open_campaign(folder)), SPEED_M_S))


def rated(analysis: Any, speed_m_s: float) -> Rating:
    """With few cars drawn, as `run_buffet` does."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("buffet.rating.car_spread.DRAWS", FEW_CARS)
        return rate(analysis, RatingSettings(speed_m_s, up_to_m_s=HIGHEST_M_S))


def shedding_run(number: int, name: str, rms: float, drag: float) -> PlantedRun:
    """A wake that sheds in lift and pitch moment, over a white background."""
    sheds = noise(WAKE_STROUHAL * WIND_M_S / LENGTH_M, 6.0, rms, number)
    lift = sheds + white(0.003, number + 100)
    samples = {
        "drag": drag + white(0.002, number + 200),
        "lift": 0.1 + lift,
        "pitch moment": -0.02 - 0.4 * lift,
    }
    return PlantedRun(str(number), samples, name)


def _written(folder: Path) -> Path:
    campaign = changed(CAMPAIGN, ("campaign", "title"), HOSTILE_TITLE)
    runs = [shedding_run(1, "bare", 0.02, 0.32), shedding_run(2, HOSTILE, 0.008, 0.33)]
    return write_runs(folder, runs, campaign)


@cache
def documents() -> dict[str, Any]:
    """What the service stores of it: board, comparison, spectra of a run, its signals."""
    compared = comparison()
    spectra = spectra_document(compared.rating.analysis, compared.rating.results)
    with TemporaryDirectory() as name:
        campaign = open_campaign(_written(Path(name) / "c"))
        run = campaign.run("2")
        signals = signal_envelopes(campaign, run, zeros_of(campaign, run), points=200)
    return {
        "board": board_document(compared.rating, compared),
        "comparison": comparison_document(compared),
        "spectra": next(one for one in spectra["runs"] if one["run"] == "2"),
        "signals": signals,
    }
