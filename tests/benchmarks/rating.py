"""A configuration of the demo campaign over road speeds: verdicts and the road-speed table."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from buffet.analysis import CampaignAnalysis, analyse
from buffet.one_pass import AnalysisSettings
from buffet.rating.car_spread import drawn_cars
from buffet.rating.configuration import configuration_curves
from buffet.rating.criteria import read_criteria
from buffet.rating.motions import RIDE
from buffet.rating.onset import onset
from buffet.rating.rate import FOR_RATING, RatingSettings, car_of, rate
from buffet.rating.ride_metrics import RideSetting
from buffet.rating.seat_scatter import rating_scatter
from buffet.rating.table import road_table
from buffet.rating.verdict import rate_criterion
from buffet.road_speed import full_scale
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import run_result
from buffet.spectral.reduction import ReducedSpectra
from buffet.spectral.uncertainty import Resampling, resample
from buffet.switching.force_states import ConfigurationStates, campaign_states
from buffet.vehicle import GOOD_MOTORWAY
from ingest import open_campaign
from tests.benchmarks.campaigns import DEMO
from tests.benchmarks.engine import seconds
from tests.benchmarks.figure import Figure

CONFIGURATION = "shallow tail"  # its wake changes its state, so that every criterion is told
RATED_M_S = 130 / 3.6
SPEEDS = 60
RESAMPLES = 2000
ROUNDS = 3
SECONDS_GOAL = 1.0
TABLE_GOAL = 1.5  # times the configuration's spectra
# What the demo campaign lacks for the criterion of an open cabin.
CABIN_VOLUME_M3, SCALE = 3.2, 0.3
CABIN = f'\n[cabin]\nvolume = "{CABIN_VOLUME_M3} m^3"\nopening = "0.3 m^2"\n'
MODEL_CABIN = f'cabin_volume = "{CABIN_VOLUME_M3 * SCALE**3} m^3"\n\n[test_section]'


def rating_figures(share: float = 1.0) -> list[Figure]:
    """Verdicts over road speed from reduced spectra, and the table beside its spectra.

    `share` is that of the resamples and of the table's speeds.
    """
    with tempfile.TemporaryDirectory() as folder:
        rounds = [_round(_campaign(Path(folder) / str(i)), share) for i in range(ROUNDS)]
    verdicts_s, table_s, spectra_s = (min(column) for column in zip(*rounds, strict=True))
    n, n_speeds = _counts(share)
    beside = f"{table_s:.3f} s against {spectra_s:.3f} s"
    return [
        Figure(
            f"{n} resamples of {n_speeds} speeds x 8 criteria",
            verdicts_s,
            "s",
            SECONDS_GOAL,
            "at most",
        ),
        Figure(
            f"table of {n_speeds} speeds beside its configuration's spectra",
            table_s / spectra_s,
            "x",
            TABLE_GOAL,
            "at most",
            beside,
        ),
    ]


def _counts(share: float) -> tuple[int, int]:
    return max(2, round(RESAMPLES * share)), max(2, round(SPEEDS * share))


def _round(folder: Path, share: float) -> tuple[float, float, float]:
    """Seconds of the verdicts, of the table and of the spectra behind it."""
    n_resamples, n_speeds = _counts(share)
    speeds = np.linspace(60 / 3.6, 220 / 3.6, n_speeds)
    kept: list[CampaignAnalysis] = []
    spectra_s = seconds(lambda: kept.append(_spectra(folder)))
    (analysis,) = kept
    settings = RatingSettings(RATED_M_S, tuple(speeds.tolist()))
    table_s = seconds(lambda: road_table(rate(analysis, settings), speeds))
    runs = [_resampled(run, n_resamples) for run in analysis.runs]
    states = campaign_states({CONFIGURATION: analysis.runs}, RIDE)[CONFIGURATION]
    return seconds(lambda: _verdicts(analysis, runs, states, speeds)), table_s, spectra_s


def _spectra(folder: Path) -> CampaignAnalysis:
    """Reading and the pass of one configuration's runs, with what a rating needs, and its peaks."""
    campaign = open_campaign(folder)
    numbers = [run.number for run in campaign.runs if run.configuration == CONFIGURATION]
    analysis = analyse(campaign, numbers, AnalysisSettings(keeps=FOR_RATING))
    for run in analysis.runs:
        run_result(run)
    return analysis


def _verdicts(
    analysis: CampaignAnalysis,
    runs: Sequence[RunAnalysis],
    states: ConfigurationStates,
    speeds_m_s: np.ndarray,
) -> None:
    """All that lies between reduced spectra and verdicts with onsets, the drawn cars included."""
    whole, vehicle = full_scale(analysis.campaign), car_of(analysis.campaign)
    setting = RideSetting(vehicle, GOOD_MOTORWAY, whole, speeds_m_s)
    criteria = read_criteria()
    spread = rating_scatter(analysis, setting, RATED_M_S)
    unseen = {family: own.unseen(CONFIGURATION, len(runs)) for family, own in spread.items()}
    curves = configuration_curves(
        CONFIGURATION, runs, setting, criteria, unseen, drawn_cars(setting), states
    )
    for curve in curves.metrics:
        assert curve.estimate is not None, curve.why_missing
        found = onset(curve, speeds_m_s, float(speeds_m_s[-1]))
        for index in range(len(speeds_m_s)):
            rate_criterion(curve, index, criteria, found)


def _resampled(run: RunAnalysis, n: int) -> RunAnalysis:
    """The run with so many resamples."""
    rng = np.random.default_rng(1)
    drawn = {family: _drawn(run.signal, rng, n) for family in run.resamplings}
    noise = tuple(replace(floor, resampling=_drawn(floor.spectra, rng, n)) for floor in run.noise)
    return replace(run, resamplings=drawn, noise=noise)


def _drawn(spectra: ReducedSpectra, rng: np.random.Generator, n: int) -> Resampling:
    return resample(spectra.group_segments, spectra.group_totals(), rng, n)


def _campaign(folder: Path) -> Path:
    """The demo campaign with a tap in an open cabin."""
    shutil.copytree(DEMO, folder)
    _changed(folder / "campaign.toml", "[test_section]", MODEL_CABIN)
    car = folder / "vehicle.toml"
    car.write_text(car.read_text(encoding="utf-8") + CABIN, encoding="utf-8")
    for sheet in (folder / "runs").glob("*.toml"):
        _changed(sheet, 'right"\nmeasures = "pressure"', 'right"\nmeasures = "cabin pressure"')
    return folder


def _changed(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, path
    path.write_text(text.replace(old, new), encoding="utf-8")
