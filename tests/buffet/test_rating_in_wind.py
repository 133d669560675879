"""Ratings of runs at several yaw angles, mixed by a wind: planted forces, mirrors and commands."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.comparing import compare
from buffet.comparison_document import comparison_document
from buffet.comparison_text import comparison_text
from buffet.documents import rating_document
from buffet.rating.rate import ConfigurationRating, Rating, RatingSettings, rate
from buffet.rating.wind import Wind, YawDistribution, YawShares
from buffet.report import report_html
from buffet.terminal import rating_text
from ingest import open_campaign
from tests.buffet.campaigns import PlantedRun, band_noise, lift_run, run_buffet, write_runs
from tests.buffet.test_rating_chain import (
    EXACT,
    SPEED_M_S,
    agrees,
    metric,
    on_the_road,
    side_samples,
)

Array = NDArray[np.float64]

SPEED = ("--speed", "130 km/h")
QUICK = ("--up-to", "30 km/h")
WIND = Wind(4.0)


@pytest.fixture(autouse=True)
def _without_peaks(monkeypatch: pytest.MonkeyPatch) -> None:
    """They take most of the time, and nothing here rests on them."""
    monkeypatch.setattr("buffet.rating.rate.shows_shedding", lambda quantity: False)


def rated(
    folder: Path,
    runs: list[PlantedRun],
    wind: YawDistribution | None,
    up_to_m_s: float = 30 / 3.6,
) -> ConfigurationRating:
    """The rating of a campaign of one configuration, of a car that is known exactly."""
    analysis = analyse(open_campaign(write_runs(folder, runs)))
    settings = RatingSettings(SPEED_M_S, up_to_m_s=up_to_m_s, vehicle=EXACT, wind=wind)
    (one,) = rate(analysis, settings).configurations
    return one


def white(seed: int, rms: float) -> dict[str, Array]:
    """Lift of this RMS and a pitch moment in step, from 1 to 74 Hz on the model."""
    lift = band_noise(seed, rms, 30.0, 1.0, 74.0)
    return {"lift": 0.1 + lift, "pitch moment": -0.2 * lift}


CALM, LOUD = white(41, 0.02), white(42, 0.05)
RUNS = [PlantedRun("1", CALM), PlantedRun("2", LOUD, yaw="10 deg")]


@pytest.fixture(scope="module")
def squares() -> Array:
    """Mean squares of the seat's weighted acceleration from each force alone."""
    motions = [on_the_road(samples) for samples in (CALM, LOUD)]
    return np.array([motion.seat_rms(1.0, 20.0) ** 2 for motion in motions])


def test_given_shares_mix_the_squares_of_the_motions(squares: Array, tmp_path: Path) -> None:
    """√(0.8 a² + 0.2 b²), where a half of the 0.4 at 5 deg counts as 10 deg and half as 0."""
    shares = YawShares.of_either_side(np.radians([0.0, 5]), np.array([0.6, 0.4]))
    one = rated(tmp_path / "c", RUNS, shares)

    agrees(metric(one, "vertical-comfort"), float(np.sqrt([0.8, 0.2] @ squares)))
    assert one.wind is not None
    assert one.wind.shares == pytest.approx((0.8, 0.2))
    assert "yaw 0, 10 deg with shares 80, 20 % at 130 km/h." in one.why


def test_a_wind_mixes_them_by_its_own_weights(squares: Array, tmp_path: Path) -> None:
    """As half a million winds do that are drawn by components, with the air's own speed."""
    sigma = 4.0 / np.sqrt(np.pi / 2)
    along, across = np.random.default_rng(5).normal(0, sigma, (2, 500_000)) / SPEED_M_S
    yaw_deg = np.degrees(np.arctan2(np.abs(across), 1 + along))
    loudness = np.hypot(1 + along, across) ** 4
    outer = np.clip(yaw_deg / 10, 0, 1)
    one = rated(tmp_path / "c", RUNS, WIND)

    weights = np.array([np.mean(loudness * (1 - outer)), np.mean(loudness * outer)])
    agrees(metric(one, "vertical-comfort"), float(np.sqrt(weights @ squares)))
    assert one.wind is not None
    assert one.wind.share_beyond == pytest.approx(np.mean(yaw_deg > 10), abs=2e-3)
    assert one.wind.variance_factor == pytest.approx(loudness.mean(), abs=3e-3)


def test_onset_follows_weights_that_change_with_speed(tmp_path: Path) -> None:
    """It lies between that of each angle alone; below the speeds that are covered it is not told.

    At 100 km/h a wind of 4 m/s stands beyond 10 deg for 13 % of the time, at 130 km/h for 5 %.
    """
    onsets = []
    for index, (runs, wind) in enumerate(((RUNS[:1], None), (RUNS, WIND), (RUNS[1:], None))):
        one = rated(tmp_path / str(index), runs, wind, up_to_m_s=200 / 3.6)
        assert one.onset is not None
        assert one.onset.speed_m_s is not None
        onsets.append(one.onset.speed_m_s.value)
        if wind is not None:
            assert one.onset.covered_m_s is not None
            assert 100 < one.onset.covered_m_s[0] * 3.6 < 130

    calm, windy, loud = onsets
    assert loud < windy < calm


def test_the_side_that_was_not_run_is_turned_over(tmp_path: Path) -> None:
    """As if it had been run, with side force and yaw moment of the other sign.

    At a seat beside the middle roll adds to what lift does on one side and takes from it on the
    other, so that the run's own motion would not do for both.
    """
    right = {word: own[:5000] for word, own in side_samples().items()}
    sideways = ("side force", "yaw moment")
    left = {word: -own if word in sideways else own for word, own in right.items()}
    calm = {word: 0.5 * own for word, own in right.items() if word not in sideways}
    calm |= {word: band_noise(9, 1e-3, 20.0, 1.0, 74.0) for word in sideways}
    straight = PlantedRun("1", calm)
    both = [PlantedRun("2", right, yaw="8 deg"), PlantedRun("3", left, yaw="-8 deg")]

    mirrored = rated(tmp_path / "one", [straight, both[0]], WIND)
    run = rated(tmp_path / "both", [straight, *both], WIND)

    for criterion in ("vertical-over-road", "vertical-comfort", "lateral", "yaw-rate"):
        expected = metric(run, criterion).value
        assert metric(mirrored, criterion).value == pytest.approx(expected, rel=1e-9)
    one_side = YawShares(np.radians([8.0]), np.array([1.0]))
    other = YawShares(np.radians([-8.0]), np.array([1.0]))
    seats = [
        metric(rated(tmp_path / str(i), [straight, both[0]], wind), "vertical-comfort").value
        for i, wind in enumerate((one_side, other))
    ]
    assert abs(seats[0] / seats[1] - 1) > 0.1


def test_one_yaw_angle_is_rated_in_still_air(tmp_path: Path) -> None:
    """With a remark, and the value that still air gives."""
    still = rated(tmp_path / "still", RUNS[:1], None)
    windy = rated(tmp_path / "windy", RUNS[:1], WIND)

    assert metric(windy, "vertical-comfort") == metric(still, "vertical-comfort")
    assert windy.wind is None
    assert "Run at one yaw angle only (0 deg), so it is rated in still air." in windy.why


def test_more_wind_than_was_run_leaves_it_undetermined(tmp_path: Path) -> None:
    """Beyond 4 deg for four tenths of the time: at least what was reached, and why."""
    runs = [RUNS[0], replace(RUNS[1], yaw="4 deg")]
    one = rated(tmp_path / "c", runs, WIND)

    assert one.verdict == "undetermined"
    assert one.decisive is not None
    assert one.decisive.why == "the wind lies too often beyond the yaw angles that were run"
    assert "of the time beyond, taken as there" in one.why
    assert " at least " in one.why


def test_a_short_run_that_decides_makes_the_interval_unreliable(tmp_path: Path) -> None:
    """In still air there is record enough; the few blocks at 10 deg are those that count."""
    short = {word: own[:1000] for word, own in white(43, 0.2).items()}
    runs = [RUNS[0], PlantedRun("2", short, yaw="10 deg")]

    assert rated(tmp_path / "still", runs, None).verdict != "undetermined"
    windy = rated(tmp_path / "windy", runs, WIND)
    assert windy.verdict == "undetermined"
    assert windy.decisive is not None
    assert windy.decisive.why == "too few independent stretches of record stand behind it"


def test_an_angle_that_reaches_less_far_bounds_the_band(tmp_path: Path) -> None:
    """What its balance does not tell is missing from the mixture, whatever the other reaches."""
    soft = replace(RUNS[1], channel={"natural_frequency": "25 Hz", "damping": 0.02})
    whole = rated(tmp_path / "whole", RUNS, WIND)
    bound = rated(tmp_path / "bound", [RUNS[0], soft], WIND)

    assert whole.usable_band_hz[1] > 30
    # Up to 0.8 of the balance's frequency, carried to the road.
    assert bound.usable_band_hz[1] == pytest.approx(0.8 * 25 * SPEED_M_S / 40 * 0.30, rel=1e-6)
    assert bound.verdict == "undetermined"


def test_yaw_angles_are_no_spread_over_wind_speeds(tmp_path: Path) -> None:
    """Angles differ by what yaw does; only wind speeds at one angle tell of the Reynolds number."""
    one = rated(tmp_path / "c", RUNS, WIND)
    slow = replace(PlantedRun("3", white(44, 0.03)), air={"speed": "30 m/s"})
    several = rated(tmp_path / "d", [*RUNS, slow], WIND)

    assert one.speed_spread is None
    # A variance of 0.03² against 0.02²: half the difference of logarithms, over √2.
    assert several.speed_spread == pytest.approx(np.log(1.5) / np.sqrt(2), rel=0.1)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car that is worse in a side wind, and a spoiler that was run straight ahead only."""
    runs = [
        lift_run("1", 0.02, seconds=16.0),
        replace(lift_run("2", 0.05, seconds=16.0), yaw="12 deg"),
        lift_run("3", 0.01, "spoiler", seconds=16.0),
    ]
    return write_runs(tmp_path_factory.mktemp("wind") / "campaign", runs)


@pytest.fixture(scope="module")
def rating(campaign: Path) -> Rating:
    """In a wind of 4 m/s."""
    settings = RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6, vehicle=EXACT, wind=WIND)
    return rate(analyse(open_campaign(campaign)), settings)


def test_a_rating_says_which_wind(rating: Rating) -> None:
    """In words and JSON, for the whole and for each configuration."""
    text = " ".join(rating_text(rating).split())
    document = rating_document(rating)

    assert "Wind: 4 m/s mean at the car's height, from all sides alike" in text
    assert "In wind of 4 m/s mean: yaw 0, 12 deg with shares" in text
    assert "Still air is assumed" not in text
    assert document["wind"]["mean_speed_m_s"] == 4
    assert document["wind"]["component_deviation_m_s"] == pytest.approx(4 * np.sqrt(2 / np.pi))
    own = {one["name"]: one for one in document["configurations"]}
    assert own["spoiler"]["wind"] is None
    assert own["bare"]["wind"]["yaw_deg"] == [0, 12]
    assert sum(own["bare"]["wind"]["share"]) == pytest.approx(1)
    assert own["bare"]["runs"] == ["1", "2"]


def test_a_comparison_says_that_its_ratios_are_not_weighted(
    rating: Rating, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the page, too; an add-on that was not run in yaw is not recommended for still air."""
    for figures in ("speed_figures", "spectrum_figures"):
        monkeypatch.setattr(f"buffet.report.page.{figures}", lambda rating: [])
    for figure in ("comparison_page_figure", "rms_page_figure"):
        monkeypatch.setattr(f"buffet.report.page.{figure}", lambda *told: None)
    comparison = compare(rating)
    document = comparison_document(comparison)
    page = report_html(comparison, rating, ())

    assert "only verdicts are for the wind." in " ".join(comparison_text(comparison).split())
    assert "only verdicts are for the wind." in document["wind_remark"]
    assert document["wind"]["mean_speed_m_s"] == 4
    assert document["recommendation"]["configuration"] is None
    assert "spoiler" in document["recommendation"]["why"]
    assert "Wind: 4 m/s mean at the car" in page
    assert "A mixture of steady yaw angles stands for the wind" in page
    assert "Still air is assumed" not in page


def test_shares_of_a_file_are_used_and_named(campaign: Path, tmp_path: Path) -> None:
    """Loads follow them at every speed."""
    shares = tmp_path / "motorway.csv"
    shares.write_text("yaw_deg,share\n0,0.5\n12,0.5\n", encoding="utf-8")
    span = ("--from", "100 km/h", "--to", "120 km/h", "--step", "20 km/h")
    done = run_buffet("table", campaign, *span, "--yaw-shares", shares, "--json")

    assert done.exit_code == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["wind"]["yaw_shares"]["file"] == "motorway.csv"
    load = 0.5 * 1.1993139 * (0.194 / 0.30**2)
    for row in (row for row in document["rows"] if row["configuration"] == "bare"):
        rms = np.sqrt(0.5 * 0.02**2 + 0.5 * 0.05**2)  # as planted, in expectation
        assert row["lift_rms_n"] == pytest.approx(load * row["speed_m_s"] ** 2 * rms, rel=0.05)


def test_commands_take_a_wind(campaign: Path, tmp_path: Path) -> None:
    """In any unit of speed; a CSV names it."""
    done = run_buffet(
        "rate", campaign, *SPEED, *QUICK, "--wind", "14.4 km/h", "-o", tmp_path / "r.csv"
    )
    with (tmp_path / "r.csv").open(encoding="utf-8", newline="") as file:
        winds = {row["wind"] for row in csv.DictReader(file)}

    assert done.exit_code == 0, done.stderr
    assert winds == {"wind of 4 m/s mean"}


def test_wind_and_shares_exclude_each_other(campaign: Path, tmp_path: Path) -> None:
    """As wrong usage; a bad file or wind ends with one message before anything is read."""
    both = run_buffet("rate", campaign, *SPEED, "--wind", "4 m/s", "--yaw-shares", "a.csv")
    lost = run_buffet("rate", campaign, *SPEED, "--yaw-shares", tmp_path / "none.csv")
    storm = run_buffet("rate", campaign, *SPEED, "--wind", "40 m/s")

    assert (both.exit_code, lost.exit_code, storm.exit_code) == (2, 1, 2)
    assert "--wind and --yaw-shares exclude each other" in both.stderr
    assert "none.csv: cannot be read" in lost.stderr
    assert "wanted at most 30 m/s" in storm.stderr
