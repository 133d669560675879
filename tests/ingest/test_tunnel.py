"""What turns in the tunnel: stated in the campaign or a run sheet, as turns a second."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from ingest import Rotation, open_campaign
from tests.ingest.campaigns import CAMPAIGN, run_sheet, write_campaign


def rotation(tmp_path: Path, campaign: dict[str, Any], run: dict[str, Any]) -> Rotation:
    """What run 9 turns with these tables in the campaign and in its sheet."""
    sheet = run_sheet("9", configuration="bare tailgate") | run
    folder = write_campaign(tmp_path, {"9": sheet}, CAMPAIGN | campaign)
    return open_campaign(folder).run("9").rotation


def test_fan_speed_is_turns_a_second(tmp_path: Path) -> None:
    """3000 rpm are 50 turns a second, not 314 radians; nine blades pass 450 times."""
    found = rotation(tmp_path, {}, {"tunnel": {"fan_speed": "3000 rpm", "blades": 9}})

    assert found.fan_hz == pytest.approx(50.0, rel=1e-12)
    assert found.blade_passing_hz() == pytest.approx(450.0, rel=1e-12)


def test_a_plain_fan_speed_is_in_turns_a_second(tmp_path: Path) -> None:
    """SI without a unit, like every other key."""
    assert rotation(tmp_path, {}, {"tunnel": {"fan_speed": 12.5}}).fan_hz == 12.5


def test_a_run_sheet_goes_before_the_campaign_key_by_key(tmp_path: Path) -> None:
    """The fan's speed changes with the run, its blades and the wheels do not."""
    whole = {
        "tunnel": {"fan_speed": "600 rpm", "blades": 9, "belt_length": "14 m"},
        "wheels": {"diameter": "190 mm"},
    }
    own = {"tunnel": {"fan_speed": "900 rpm", "belt_speed": "30 m/s"}}

    found = rotation(tmp_path, whole, own)

    assert found.fan_hz == pytest.approx(15.0)
    assert (found.blades, found.belt_length_m, found.belt_speed_m_s) == (9, 14.0, 30.0)
    assert found.wheel_diameter_m == pytest.approx(0.19)


def test_nothing_stated_turns_nothing(tmp_path: Path) -> None:
    """Neither table is needed."""
    found = rotation(tmp_path, {}, {})

    assert found == Rotation()
    assert found.blade_passing_hz() is None
    assert found.belt_passing_hz(40.0) is None
    assert found.wheel_hz(40.0) is None


def test_belt_and_wheels_run_with_the_wind() -> None:
    """A 16 m loop at 40 m/s comes round 2.5 times a second, a wheel of 1 m girth 40 times."""
    found = Rotation(belt_length_m=16.0, wheel_diameter_m=1 / math.pi)

    assert found.belt_passing_hz(40.0) == pytest.approx(2.5)
    assert found.wheel_hz(40.0) == pytest.approx(40.0)
    assert found.belt_passing_hz(None) is None


def test_a_stated_belt_speed_goes_before_the_wind() -> None:
    """A belt that stands turns no wheel."""
    found = Rotation(belt_length_m=16.0, belt_speed_m_s=0.0, wheel_diameter_m=0.2)

    assert found.belt_passing_hz(40.0) == 0.0
    assert found.wheel_hz(40.0) == 0.0
    assert Rotation(belt_length_m=16.0, belt_speed_m_s=8.0).belt_passing_hz(40.0) == 0.5
