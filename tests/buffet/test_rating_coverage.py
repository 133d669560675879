"""What the rig leaves of the road band, and what may be said with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from buffet.analysis import analyse
from buffet.rating.rate import ConfigurationRating, Rating, RatingSettings, rate
from buffet.rating.verdict import CriterionRating
from buffet.vehicle import typical_car
from ingest import open_campaign
from tests.buffet.campaigns import (
    RATE_HZ,
    SCALE,
    PlantedRun,
    band_noise,
    changed,
    lift_run,
    run_buffet,
    write_runs,
    write_sheet,
)
from tests.buffet.cars import known

Array = NDArray[np.float64]

SPEED_M_S = 130 / 3.6
SECONDS = 60.0
# Nothing uncertain about it: what is looked at here is the record's.
CAR = known(typical_car(0.775 / SCALE))


@pytest.fixture(autouse=True)
def _without_peaks(monkeypatch: pytest.MonkeyPatch) -> None:
    """In noise with sharp edges they take most of the time, and nothing here rests on them."""
    monkeypatch.setattr("buffet.rating.rate.shows_shedding", lambda quantity: False)


def rating(folder: Path, runs: list[PlantedRun], up_to_m_s: float = 30 / 3.6) -> Rating:
    """Rated at 130 km/h."""
    analysis = analyse(open_campaign(write_runs(folder, runs)))
    return rate(analysis, RatingSettings(SPEED_M_S, up_to_m_s=up_to_m_s, vehicle=CAR))


def only(rated: Rating) -> ConfigurationRating:
    """The one configuration."""
    (one,) = rated.configurations
    return one


def verdicts(one: ConfigurationRating) -> dict[str, str | None]:
    """By criterion."""
    return {row.criterion.id: row.verdict for row in one.criteria}


def criterion(one: ConfigurationRating, name: str) -> CriterionRating:
    """One row."""
    return next(row for row in one.criteria if row.criterion.id == name)


@cache
def shed() -> Array:
    """Lift of 0.06 RMS shed between 17 and 20 Hz on the model: 4.6 to 5.4 Hz at 130 km/h."""
    return band_noise(1, 0.06, SECONDS, 17.0, 20.0) + band_noise(2, 0.0005, SECONDS)


@cache
def broad() -> Array:
    """Lift of 0.05 RMS, white."""
    return band_noise(3, 0.05, SECONDS)


def rung(lift: Array, frequency_hz: float, damping: float) -> Array:
    """What a balance of one degree of freedom makes of it: mass, spring, damper."""
    omega = 2 * np.pi * np.fft.rfftfreq(len(lift), 1 / RATE_HZ)
    natural = 2 * np.pi * frequency_hz
    shape = natural**2 / (natural**2 - omega**2 + 2j * damping * natural * omega)
    return np.fft.irfft(np.fft.rfft(lift) * shape, len(lift))


def on_balance(lift: Array, frequency_hz: float, number: str = "1", **more: Any) -> PlantedRun:
    """A run on a balance whose resonance its sheet states."""
    stated = {"natural_frequency": f"{frequency_hz} Hz", "damping": 0.02}
    samples = {word: rung(load, frequency_hz, 0.02) for word, load in loads(lift).items()}
    return PlantedRun(number, samples, channel=stated, **more)


def loads(lift: Array) -> dict[str, Array]:
    """Lift that acts behind mid-wheelbase."""
    return {"lift": lift, "pitch moment": -0.2 * lift}


def test_band_of_a_38_hz_balance(tmp_path: Path) -> None:
    """0.8 · 38 Hz · 130 km/h / 40 m/s · 0.30 = 8.2 Hz on the road."""
    one = only(rating(tmp_path / "c", [on_balance(shed(), 38)]))

    assert one.usable_band_hz[1] == pytest.approx(0.8 * 38 * (130 / 3.6) / 40 * 0.30)
    assert one.usable_band_hz[1] == pytest.approx(8.2, abs=0.05)


def test_resonance_is_taken_out_of_the_metric(tmp_path: Path) -> None:
    """38 Hz amplifies 20 Hz by 1.4; the ratings of the wake are those of a stiff balance."""
    stiff = only(rating(tmp_path / "stiff", [PlantedRun("1", loads(shed()))]))
    soft = only(rating(tmp_path / "soft", [on_balance(shed(), 38)]))

    for name in ("vertical-over-road", "vertical-comfort"):
        ours, theirs = criterion(soft, name), criterion(stiff, name)
        assert ours.metric is not None
        assert theirs.metric is not None
        assert ours.metric.value == pytest.approx(theirs.metric.value, rel=0.02)
        assert ours.verdict == theirs.verdict


def test_narrow_shedding_is_covered_to_8_hz(tmp_path: Path) -> None:
    """Nothing to speak of lies beyond 8.2 Hz: vertical rows hold, the rear load's band is short."""
    found = verdicts(only(rating(tmp_path / "c", [on_balance(shed(), 38)])))

    assert found == {
        "vertical-over-road": "likely",
        "vertical-burst": None,  # no samples were kept
        "vertical-comfort": "unlikely",
        "rear-load": "undetermined",
        "lateral": None,
        "yaw-rate": None,
        "state-change": None,
        "cabin": None,
    }


def test_broad_fluctuation_is_covered_only_where_the_rest_does_not_matter(tmp_path: Path) -> None:
    """Carried on flat to 20 Hz the whole band's Wk would grow by more than 20 %: at least.

    The worst octave lies below 8 Hz and stays the worst, whatever comes above: it is covered.
    """
    one = only(rating(tmp_path / "c", [on_balance(broad(), 38)]))
    whole = only(rating(tmp_path / "stiff", [PlantedRun("1", loads(broad()))]))
    over_road, comfort, rear = (
        (ours.metric.value / theirs.metric.value, ours)
        for ours, theirs in zip(one.criteria, whole.criteria, strict=True)
        if ours.metric is not None and theirs.metric is not None
    )

    assert over_road[0] == pytest.approx(1, rel=0.1)
    assert over_road[1].verdict == "possible"
    assert comfort[0] < 1 / 1.2
    assert comfort[1].verdict == "undetermined"
    assert comfort[1].why == "the usable road band does not cover it"
    assert rear[0] < 1
    assert rear[1].verdict == "undetermined"
    assert one.verdict == "possible"  # goes before what is undetermined


@pytest.mark.parametrize(
    ("change", "top_hz"),
    [
        ({"channel": {"natural_frequency": "30 Hz"}}, 0.8 * 30),
        ({"sampling": {"antialias_cutoff": "30 Hz"}}, 0.7 * 30),
    ],
    ids=["balance", "filter"],
)
def test_band_that_ends_below_8_hz_is_undetermined(
    change: Mapping[str, Mapping[str, Any]], top_hz: float, tmp_path: Path
) -> None:
    """A loud wake at 5 Hz, all of it inside the band: still no verdict below 8 Hz."""
    run = PlantedRun("1", {"lift": shed()}, channel=change.get("channel", {}))
    folder = write_runs(tmp_path / "c", [run])
    sheet = run.sheet()
    sheet["sampling"] |= change.get("sampling", {})
    write_sheet(folder, "1", sheet)
    analysis = analyse(open_campaign(folder))
    one = only(rate(analysis, RatingSettings(SPEED_M_S, up_to_m_s=30 / 3.6)))

    assert one.usable_band_hz[1] == pytest.approx(top_hz * SPEED_M_S / 40 * 0.30)
    assert one.verdict == "undetermined"
    assert one.why.startswith("Cannot be told at 130 km/h: ")
    assert "at least" in one.why


def test_low_end_must_reach_1_hz(tmp_path: Path) -> None:
    """4 s at 6 m/s: segments of 2 s at most, bins of 0.5 Hz, each 0.9 Hz on the road."""
    slow = replace(lift_run("1", 0.06, seconds=4.0), air={"speed": "6 m/s"})
    one = only(rating(tmp_path / "c", [slow]))

    assert one.usable_band_hz[0] > 1.0
    assert set(verdicts(one).values()) == {"undetermined", None}  # no side force was measured
    assert "the usable road band does not cover it" in one.why


def test_band_is_the_union_of_the_runs(tmp_path: Path) -> None:
    """A run at 30 m/s reaches higher road frequencies than one at 50 m/s of the same balance."""
    runs = [
        on_balance(shed(), 38, "1", air={"speed": "30 m/s"}),
        on_balance(shed(), 38, "2", air={"speed": "50 m/s"}),
    ]
    both = only(rating(tmp_path / "both", runs))
    fast = only(rating(tmp_path / "fast", runs[1:]))

    assert both.usable_band_hz[1] == pytest.approx(0.8 * 38 * SPEED_M_S / 30 * 0.30)
    assert fast.usable_band_hz[1] == pytest.approx(0.8 * 38 * SPEED_M_S / 50 * 0.30)
    assert both.usable_band_hz[0] <= fast.usable_band_hz[0]
    assert verdicts(fast)["vertical-over-road"] == "undetermined"  # 6.6 Hz
    assert verdicts(both)["vertical-over-road"] == "likely"  # 11 Hz


def test_band_moves_with_road_speed(tmp_path: Path) -> None:
    """8 Hz are reached from 126 km/h on, so no onset is looked for below."""
    one = only(rating(tmp_path / "c", [on_balance(shed(), 38)], up_to_m_s=150 / 3.6))
    lowest_km_h = 3.6 * 8 / (0.8 * 38 / 40 * 0.30)

    assert lowest_km_h == pytest.approx(126.3, abs=0.05)
    assert one.onset is not None
    assert one.onset.covered_m_s is not None
    # The next speeds of the search, every 5 km/h and the rated one.
    assert one.onset.covered_m_s[0] * 3.6 == pytest.approx(130)


def test_short_records_are_undetermined(tmp_path: Path) -> None:
    """5 s hold too few independent stretches; several such runs together hold enough."""
    short = [lift_run(str(number), 0.06, seconds=5.0) for number in range(1, 9)]
    single = only(rating(tmp_path / "one", short[:1]))
    pooled = only(rating(tmp_path / "eight", short))

    assert single.verdict == "undetermined"
    assert "too few independent stretches of record stand behind it" in single.why
    assert single.onset is None
    assert single.onset_why.startswith("no criterion is covered, with enough record behind it")
    assert pooled.verdict in ("possible", "likely")


def test_onset_is_where_the_metric_meets_its_limit(tmp_path: Path) -> None:
    """Rated at the onset speed the decisive metric is its limit, exceeded with P of one half."""
    runs = [lift_run("1", 0.03)]
    onset = only(rating(tmp_path / "c", runs, up_to_m_s=150 / 3.6)).onset
    assert onset is not None
    assert onset.speed_m_s is not None
    interval = onset.speed_m_s
    assert interval.low is not None
    assert interval.high is not None
    analysis = analyse(open_campaign(tmp_path / "c"))

    def row_at(speed_m_s: float) -> Any:
        settings = RatingSettings(speed_m_s, up_to_m_s=30 / 3.6, vehicle=CAR)
        rows = only(rate(analysis, settings)).criteria
        return next(row for row in rows if row.criterion.id == onset.criterion)

    limit = row_at(interval.value).criterion.possible
    assert row_at(interval.value).metric.value == pytest.approx(limit, rel=0.01)
    assert row_at(interval.value).p_possible == pytest.approx(0.5, abs=0.15)
    assert row_at(interval.low).metric.high == pytest.approx(limit, rel=0.01)
    assert row_at(interval.high).metric.low == pytest.approx(limit, rel=0.01)


def test_quiet_car_has_no_onset(tmp_path: Path) -> None:
    """The range that was searched is named."""
    one = only(rating(tmp_path / "c", [lift_run("1", 0.001)], up_to_m_s=150 / 3.6))

    assert one.verdict == "unlikely"
    assert one.onset is None
    assert one.onset_why.startswith("none from ")
    assert one.onset_why.endswith(" up to 150 km/h")


def test_reynolds_numbers_are_stated(tmp_path: Path) -> None:
    """ρ U L / μ by hand, L = 0.435 m on the model and 1.45 m on the car at 130 km/h."""
    air = {"speed": "40 m/s", "density": "1.2 kg/m^3", "viscosity": "1.8e-5 Pa s"}
    rated = rating(tmp_path / "c", [replace(lift_run("1", 0.03), air=air)])

    assert only(rated).model_reynolds == pytest.approx((1.2 * 40 * 0.435 / 1.8e-5,) * 2)
    # Road air: density of tests/published/air.csv, viscosity at 20 °C of the same table.
    road = 1.1993139 * SPEED_M_S * 1.45 / 1.813406e-5
    assert rated.road_reynolds == pytest.approx(road, rel=1e-4)


def test_spread_over_wind_speeds_widens_the_rating(tmp_path: Path) -> None:
    """Coefficients of 0.03 at one wind speed and 0.04 at another: a spread of 20 %, carried."""
    slow, fast = lift_run("1", 0.03), replace(lift_run("2", 0.04), air={"speed": "50 m/s"})
    one = only(rating(tmp_path / "two", [slow, fast]))
    same = replace(fast, samples=lift_run("2", 0.03).samples)
    alike = only(rating(tmp_path / "alike", [slow, same]))
    # Standard deviation of ln(0.03²) and ln(0.04²), halved for the RMS, less the runs' own scatter.
    expected = np.std(np.log([0.03, 0.04]), ddof=1)

    assert one.speed_spread == pytest.approx(expected, rel=0.1)
    assert alike.speed_spread is not None
    assert alike.speed_spread < 0.03
    ours, theirs = (criterion(o, "vertical-comfort").metric for o in (one, alike))
    assert ours is not None
    assert theirs is not None
    assert (ours.high or np.inf) / (ours.low or 0) > 1.5
    assert (theirs.high or np.inf) / (theirs.low or 0) < 1.2


def test_check_names_a_balance_too_soft(tmp_path: Path) -> None:
    """30 Hz leaves 6.5 Hz of the 8 that are needed at 130 km/h: a warning of `check`."""
    run = lift_run("1", 0.03, seconds=8)
    folder = write_runs(tmp_path / "c", [run])
    write_sheet(folder, "1", changed(run.sheet(), ("channel", 1, "natural_frequency"), "30 Hz"))
    text = " ".join(run_buffet("check", folder).stdout.split())

    assert "warning: run 1, lift: the balance's 30 Hz limits this channel to 24 Hz" in text
    assert "6.5 Hz on the road at 130 km/h" in text
