"""The board's document beside what a rating at another speed says there."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buffet.board.document import IS_BASELINE, NO_BASELINE, board_document, board_indices
from buffet.comparing import Comparison
from buffet.comparison_document import comparison_document
from buffet.rating.rate import Rating
from tests.buffet.board_campaign import SPEED_M_S, comparison, rated
from tests.buffet.report_campaign import HOSTILE
from tests.buffet.schema_check import faults


@pytest.fixture(scope="module")
def compared() -> Comparison:
    """Two configurations at one wind speed, rated at 130 km/h, searched up to 200."""
    return comparison()


@pytest.fixture(scope="module")
def board(compared: Comparison) -> dict[str, Any]:
    """Its board."""
    return board_document(compared.rating, compared)


@pytest.fixture(scope="module")
def elsewhere(compared: Comparison) -> Rating:
    """The same campaign rated at 100 km/h."""
    return rated(compared.rating.analysis, 100 / 3.6)


# By which metrics differ between one rated speed and another: bursts and the car's spread are
# worked out at a few road speeds, the rated one among them, and lie between these elsewhere.
BETWEEN = 0.03


def words(text: str) -> str:
    """Without numbers."""
    return re.sub(r"[\d.]+", "#", text)


def place(board: dict[str, Any], speed_km_h: float) -> int:
    """Of a speed that the board holds."""
    return int(np.argmin(np.abs(np.array(board["speeds_m_s"]) * 3.6 - speed_km_h)))


def test_speeds_are_by_fives_as_far_as_the_search_reaches(board: dict[str, Any]) -> None:
    """60 to 200 km/h, each once; all lists are as long."""
    speeds = np.array(board["speeds_m_s"]) * 3.6
    np.testing.assert_allclose(speeds, np.arange(60, 201, 5), rtol=1e-9)
    for one in board["configurations"]:
        lists = [one["at"], one["usable_band_hz"]]
        lists += [curve[key] for curve in one["criteria"] for key in ("value", "low", "verdict")]
        lists += [ray["frequency_hz"] for ray in one["rays"]]
        assert {len(values) for values in lists} == {len(speeds)}


def test_a_rated_speed_between_the_fives_is_there_too(compared: Comparison) -> None:
    """Once, in its place."""
    rating = compared.rating
    (first, *others) = rating.configurations
    speeds = first.curves.setting.speeds_m_s
    between = float(np.interp(0.5, [0, 1], speeds[10:12]))
    setting = replace(first.curves.setting, speeds_m_s=np.sort(np.append(speeds, between)))
    curves = replace(first.curves, setting=setting)
    odd = replace(
        rating, speed_m_s=between, configurations=(replace(first, curves=curves), *others)
    )
    found = setting.speeds_m_s[board_indices(odd)]

    assert between in found
    assert (np.diff(found) > 0.1).all()


@pytest.mark.parametrize("speed_km_h", [100, 130])
def test_the_board_says_what_rate_says(
    board: dict[str, Any], compared: Comparison, elsewhere: Rating, speed_km_h: float
) -> None:
    """Verdict, criterion, metrics, band and sentence at the rated speed, and at another."""
    rating = compared.rating if speed_km_h == 130 else elsewhere
    i = place(board, speed_km_h)
    for one in rating.configurations:
        (told,) = (c for c in board["configurations"] if c["name"] == one.name)
        at, decisive = told["at"][i], one.decisive
        assert decisive is not None
        assert (at["verdict"], at["criterion"]) == (one.verdict, decisive.criterion.id)
        np.testing.assert_allclose(told["usable_band_hz"][i], one.usable_band_hz)
        for row, curve in zip(one.criteria, told["criteria"], strict=True):
            assert curve["id"] == row.criterion.id
            assert curve["verdict"][i] == row.verdict
            value = None if row.metric is None else pytest.approx(row.metric.value, rel=BETWEEN)
            assert curve["value"][i] == value
        if speed_km_h == 130:
            assert one.why == " ".join([at["why"], *told["remarks"]])
        else:  # the same words and, but for last digits, the same numbers
            assert words(one.why).startswith(words(at["why"]))


def test_intervals_at_the_rated_speed_are_the_rating_s(
    board: dict[str, Any], compared: Comparison
) -> None:
    """Limits and probabilities too."""
    i = place(board, SPEED_M_S * 3.6)
    for one, told in zip(compared.rating.configurations, board["configurations"], strict=True):
        for row, curve in zip(one.criteria, told["criteria"], strict=True):
            found = (
                curve["low"][i],
                curve["high"][i],
                curve["p_possible"][i],
                curve["p_likely"][i],
            )
            metric = row.metric
            limits = (None, None) if metric is None else (metric.low, metric.high)
            assert found == (*limits, row.p_possible, row.p_likely)


def test_rays_go_through_the_origin(board: dict[str, Any], compared: Comparison) -> None:
    """f = St V / L of the full-size car at every speed; modes are the car's."""
    length_m = compared.rating.full_scale.strouhal_length_m
    rays = [ray for one in board["configurations"] for ray in one["rays"]]
    assert rays
    for ray in rays:
        expected = ray["strouhal"]["value"] * np.array(board["speeds_m_s"]) / length_m
        np.testing.assert_allclose(ray["frequency_hz"], expected)
        width = np.array(ray["high_hz"]) - np.array(ray["low_hz"])
        np.testing.assert_allclose(width / expected, ray["relative_bandwidth"])
    setting = compared.rating.configurations[0].curves.setting
    i = place(board, 130)
    own = {m.name: m.natural_frequency_hz for m in setting.car.modes(SPEED_M_S)}
    for mode in board["modes"]:
        if mode["frequency_hz"][i] is not None:
            assert mode["frequency_hz"][i] == pytest.approx(own[mode["name"]])


def test_costs_are_the_comparison_s(board: dict[str, Any], compared: Comparison) -> None:
    """Of the add-ons; the baseline has none, and says so."""
    document = comparison_document(compared)
    add_ons = {one["name"]: one for one in document["configurations"]}
    assert HOSTILE in add_ons
    for one in board["configurations"]:
        if one["is_baseline"]:
            assert (one["costs"], one["costs_why"]) == (None, IS_BASELINE)
            continue
        for key, value in one["costs"].items():
            assert value == add_ons[one["name"]][key]
    assert board["recommendation"] == document["recommendation"]


def test_without_a_comparison_the_reason_stands_there(compared: Comparison) -> None:
    """As the schema wants it, too."""
    alone = board_document(compared.rating, None)

    assert faults(alone) == []
    assert (alone["recommendation"], alone["recommendation_why"]) == (None, NO_BASELINE)
    assert {one["costs_why"] for one in alone["configurations"]} == {NO_BASELINE}
