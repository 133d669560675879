"""How the oncoming air stands to the car: closed forms, quadrature, drawn winds, and files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import norm

from buffet.errors import WindError
from buffet.rating.wind import Wind, YawShares
from buffet.rating.yaw_mix import YawMix, rated_runs, yaw_mix
from buffet.rating.yaw_shares import read_yaw_shares

Array = NDArray[np.float64]

KNOTS = np.radians([-15.0, -10, -5, 0, 5, 10, 15])
SPEEDS_M_S = np.array([60.0, 130, 250]) / 3.6
WIND = Wind(4.0)
# Mean of a Rayleigh distributed speed: σ √(π/2).
SIGMA_M_S = 4.0 / np.sqrt(np.pi / 2)


def drawn(speed_m_s: float, n: int = 500_000) -> tuple[Array, Array]:
    """Yaw and the air's speed over the road speed, of winds drawn component by component."""
    along, across = np.random.default_rng(3).normal(0, SIGMA_M_S, (2, n))
    yaw = np.arctan2(across, speed_m_s + along)
    return yaw, np.hypot(speed_m_s + along, across) / speed_m_s


@dataclass(frozen=True)
class Sheet:
    """As much of a run sheet as the mixture looks at."""

    yaw_rad: float


@dataclass(frozen=True)
class StubRun:
    """A run that has nothing but its yaw."""

    run: Sheet


def mixed(yaw_deg: list[float], wind: Any, speeds_m_s: Array = SPEEDS_M_S) -> YawMix:
    """Of runs at these angles."""
    runs = [StubRun(Sheet(float(np.radians(one)))) for one in yaw_deg]
    return yaw_mix(cast("Any", runs), wind, speeds_m_s)


def test_the_mean_speed_is_that_of_drawn_winds() -> None:
    """Two Gaussian components of the stated deviation have it."""
    along, across = np.random.default_rng(1).normal(0, WIND.component_m_s, (2, 1_000_000))

    assert np.hypot(along, across).mean() == pytest.approx(4.0, rel=2e-3)


@pytest.mark.parametrize("power", [0, 2, 4])
def test_weights_are_those_of_drawn_winds(power: int) -> None:
    """Hats of yaw times the air's speed to a power, averaged over half a million winds."""
    weights = WIND.expectation(KNOTS, SPEEDS_M_S, power)

    for index, speed in enumerate(SPEEDS_M_S):
        yaw, ratio = drawn(float(speed))
        hats = np.array([np.interp(yaw, KNOTS, one) for one in np.eye(len(KNOTS))])
        assert weights[:, index] == pytest.approx(hats @ ratio**power / len(yaw), abs=3e-3)


def test_sums_of_weights_are_the_moments_of_the_air_speed() -> None:
    """1, 1 + 2 s² and 1 + 8 s² + 8 s⁴ with s = σ/V, from the moments of a Gaussian by hand."""
    s = SIGMA_M_S / SPEEDS_M_S
    for power, expected in ((0, 1 + 0 * s), (2, 1 + 2 * s**2), (4, 1 + 8 * s**2 + 8 * s**4)):
        sums = WIND.expectation(KNOTS, SPEEDS_M_S, power).sum(axis=0)
        assert sums == pytest.approx(expected, rel=1e-9)


def test_share_beyond_an_angle_is_gaussian() -> None:
    """ψ > a is the half-plane across·cos a > (V + along)·sin a, but for wind from behind."""
    for degrees in (3.0, 10.0, 20.0):
        a = np.radians(degrees)
        expected = 2 * norm.sf(SPEEDS_M_S * np.sin(a) / SIGMA_M_S)
        from_behind = norm.sf(SPEEDS_M_S / SIGMA_M_S).max()
        assert WIND.beyond(a, SPEEDS_M_S) == pytest.approx(expected, abs=2 * from_behind + 1e-9)


def test_without_the_component_along_it_is_the_arctangent_of_a_gaussian() -> None:
    """At small yaw both agree: shares within 1, 2 and 3 deg at 250 km/h, of atan(w / V)."""
    for degrees in (1.0, 2.0, 3.0):
        a = np.radians(degrees)
        expected = 2 * norm.sf(SPEEDS_M_S[-1] * np.tan(a) / SIGMA_M_S)
        assert WIND.beyond(a, SPEEDS_M_S[-1:])[0] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("power", [0, 4])
def test_weights_give_the_expectation_of_the_straight_interpolant(power: int) -> None:
    """Any values at the angles, against two nested quadratures of the Gaussian itself."""
    values = np.array([3.0, 1.0, 0.4, 0.2, 0.7, 0.9, 2.0])
    ratio = SPEEDS_M_S[1] / SIGMA_M_S

    def density(yaw: float) -> float:
        def radial(r: float) -> float:
            square = r**2 - 2 * r * ratio * np.cos(yaw) + ratio**2
            return float(r * (r / ratio) ** power * np.exp(-square / 2) / (2 * np.pi))

        return float(quad(radial, 0, ratio + 12, points=[ratio * abs(np.cos(yaw))])[0])

    expected, _ = quad(
        lambda yaw: density(yaw) * np.interp(yaw, KNOTS, values), -0.9, 0.9, points=KNOTS, limit=200
    )

    weights = WIND.expectation(KNOTS, SPEEDS_M_S[1:2], power)[:, 0]
    assert weights @ values == pytest.approx(expected, rel=1e-7)


def test_the_limits_of_road_speed() -> None:
    """Far above the wind all weight lies at 0 deg; far below it yaw is anywhere on the circle."""
    fast = WIND.expectation(KNOTS, np.array([1e5]), 4)[:, 0]
    slow = Wind(30.0).beyond(np.radians(45), np.array([1e-3]))[0]

    assert fast[3] == pytest.approx(1, abs=1e-3)
    assert slow == pytest.approx(3 / 4, abs=1e-3)


def test_a_side_that_was_not_run_is_the_mirror_of_the_other() -> None:
    """0 and 10 deg weigh as -10, 0 and 10 do, and half of what is at 10 deg is turned over."""
    one, both = mixed([0, 10], WIND), mixed([-10, 0, 10], WIND)

    assert np.degrees(one.yaw_rad) == pytest.approx([-10, 0, 10])
    assert one.weights == pytest.approx(both.weights)
    assert [part.mirrored for part in one.parts] == [True, False, False]
    assert not any(part.mirrored for part in both.parts)
    assert one.over_runs(one.shares)[1] == pytest.approx(both.over_runs(both.shares)[[0, 2]].sum(0))
    assert one.at(1) == both.at(1)


def test_repeats_share_the_weight_of_their_angle() -> None:
    """Two runs at 0 deg, one at 8 deg; as many runs as would scatter so (Kish's 1 / Σ w²)."""
    shares = YawShares.of_either_side(np.radians([0.0, 8]), np.array([0.6, 0.4]))
    mix = mixed([0, 0.05, 8], shares)

    assert mix.over_runs(mix.weights)[:, 0] == pytest.approx([0.3, 0.3, 0.4])
    assert mix.runs_behind == pytest.approx(1 / (0.09 + 0.09 + 0.16))
    told = mix.at(0)
    assert told is not None
    assert (told.yaw_deg, told.shares) == ((0, 8), pytest.approx((0.6, 0.4)))


def test_given_shares_between_and_beyond_the_angles_run() -> None:
    """4 deg lies half way from 0 to 8, and 12 deg is taken as 8 and told."""
    shares = YawShares(np.radians([-4.0, 0, 12]), np.array([0.2, 0.7, 0.1]))
    mix = mixed([0, 8], shares)

    assert mix.weights[:, 0] == pytest.approx([0.1, 0.8, 0.1])
    assert mix.weights[:, 0] == pytest.approx(mix.shares[:, 2])
    assert mix.beyond == pytest.approx([0.1, 0.1, 0.1])
    told = mix.at(0)
    assert told is not None
    assert told.yaw_deg == (-8, 0, 8)
    assert not shares.symmetrical


def test_more_than_a_tenth_of_the_time_beyond_is_not_covered() -> None:
    """At 60 km/h a wind of 4 m/s stands beyond 10 deg more often than not at 250 km/h."""
    assert mixed([0, 10], WIND).covered.tolist() == [False, True, True]
    assert mixed([0, 25], WIND).covered.all()


def test_in_still_air_or_at_one_angle_all_runs_count_alike() -> None:
    """And no wind is told of them."""
    for mix in (mixed([0, 0], None), mixed([5, -5], WIND)):
        assert mix.over_runs(mix.weights) == pytest.approx(0.5)
        assert mix.at(0) is None
        assert mix.covered.all()
    runs = cast("Any", [StubRun(Sheet(0.1)), StubRun(Sheet(0.0)), StubRun(Sheet(0.001))])
    assert rated_runs(runs, None) == tuple(runs[1:])
    assert rated_runs(runs, WIND) == tuple(runs)


@pytest.mark.parametrize("speed", [0.0, -1.0, 31.0, float("nan")])
def test_a_wind_that_cannot_be(speed: float) -> None:
    """The message holds the value and the range."""
    with pytest.raises(WindError, match=r"wanted more than 0 and at most 30 m/s"):
        Wind(speed)


@pytest.mark.parametrize(
    ("yaw", "share", "told"),
    [
        ([], [], "wanted one share for each yaw angle"),
        ([0.0, 0.1], [1.0], "wanted one share for each yaw angle"),
        ([2.0], [1.0], "wanted yaw angles from -90 to 90 deg"),
        ([0.0, 0.1], [1.5, -0.5], "wanted shares of 0 or more"),
        ([0.0, 0.1], [0.5, 0.3], "the shares sum to 0.8; wanted 1"),
    ],
)
def test_shares_that_cannot_be(yaw: list[float], share: list[float], told: str) -> None:
    """Each with what was wanted."""
    with pytest.raises(WindError, match=told):
        YawShares(np.array(yaw), np.array(share))


def written(folder: Path, text: str) -> Path:
    """A file of shares."""
    path = folder / "yaw.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_of_angles_to_either_side(tmp_path: Path) -> None:
    """Half of each share to the right and half to the left; sums of rounded shares become one."""
    found = read_yaw_shares(written(tmp_path, "# of a motorway\nyaw_deg,share\n0,0.5\n6,0.496\n"))

    assert found.symmetrical
    assert found.share.sum() == pytest.approx(1)
    assert found.expectation(np.radians([-6.0, 0, 6]), SPEEDS_M_S)[:, 0] == pytest.approx(
        np.array([0.248, 0.5, 0.248]) / 0.996
    )
    assert (found.name, len(found.sha256 or "")) == ("yaw.csv", 64)


def test_a_file_with_sides(tmp_path: Path) -> None:
    """Angles below 0 make all of them count as they stand; decimal commas are read."""
    found = read_yaw_shares(written(tmp_path, "Share;Yaw_deg\n0,25;-5\n0,75;2,5\n"))

    assert np.degrees(found.yaw_rad) == pytest.approx([-5, 2.5])
    assert found.share == pytest.approx([0.25, 0.75])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["holds no shares; wanted columns yaw_deg and share"]),
        ("yaw,share\n0,1\n", ["line 1: the columns are yaw, share; wanted columns yaw_deg"]),
        (
            "yaw_deg,share\n0,x\n95,0.2\n5\n",
            ["line 2: share is 'x'", "line 3: yaw_deg is '95'; wanted an angle", "share is ''"],
        ),
        ("yaw_deg,share\n0,50\n5,50\n", ["line 2: share is '50'", "line 3: share is '50'"]),
        (
            "yaw_deg,share\n0,0.5\n5,0.2\n0,0.1\n",
            ["line 4: yaw_deg is 0 as in line 2; wanted each angle once", "shares sum to 0.8"],
        ),
    ],
)
def test_all_faults_of_a_file_are_told_at_once(text: str, told: list[str], tmp_path: Path) -> None:
    """With file and lines."""
    with pytest.raises(WindError) as error:
        read_yaw_shares(written(tmp_path, text))

    assert "yaw.csv" in str(error.value)
    assert [part for part in told if part not in str(error.value)] == []


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    """Missing, or of other bytes, or far too large."""
    path = tmp_path / "yaw.csv"
    with pytest.raises(WindError, match=r"yaw\.csv: cannot be read"):
        read_yaw_shares(path)
    path.write_bytes(b"yaw_deg,share\n0,\xff\n")
    with pytest.raises(WindError, match="no delimited text in UTF-8"):
        read_yaw_shares(path)
    path.write_bytes(b" " * 1_000_001)
    with pytest.raises(WindError, match="larger than 1 MB"):
        read_yaw_shares(path)
