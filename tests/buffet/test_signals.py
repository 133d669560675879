"""A run's signals as envelopes: planted extremes, bounded size, whatever the record's length."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from buffet.board.signals import signal_envelopes
from ingest import open_campaign, zeros_of
from tests.buffet.campaigns import RATE_HZ, PlantedRun, write_runs
from tests.buffet.schema_check import faults

POINTS = 20


@pytest.mark.parametrize("n", [1, 7, 19, 20, 21, 39, 40, 41, 1000, 1283])
def test_envelopes_hold_planted_extremes(tmp_path: Path, n: int) -> None:
    """One sample up and one down stand in the stretches of their times, and nowhere else."""
    drag, lift = np.zeros(n), np.zeros(n)
    up, down = n // 3, n - 1
    drag[up], lift[down] = 5.0, -7.0
    folder = write_runs(tmp_path / "c", [PlantedRun("1", {"drag": drag, "lift": lift})])
    campaign = open_campaign(folder)
    document = signal_envelopes(campaign, campaign.run("1"), {}, POINTS)
    first, second = document["channels"]
    width = round(document["stretch_s"] * RATE_HZ)

    assert faults(document) == []
    assert document["n_samples"] == n
    assert len(document["time_s"]) == len(first["high"]) == -(-n // width)
    assert min(n, POINTS // 2) <= len(document["time_s"]) <= POINTS
    assert document["time_s"] == pytest.approx(np.arange(len(first["high"])) * width / RATE_HZ)
    assert np.flatnonzero(first["high"]).tolist() == [up // width]
    assert first["high"][up // width] == pytest.approx(5.0)
    assert np.flatnonzero(second["low"]).tolist() == [down // width]
    assert second["low"][-1] == pytest.approx(-7.0)
    assert (first["name"], second["measures"]) == ("drag", "lift")


def test_a_ramp_keeps_its_shape(tmp_path: Path) -> None:
    """Each stretch of a straight line begins where the one before it ended."""
    ramp = np.arange(1000.0)
    folder = write_runs(tmp_path / "c", [PlantedRun("1", {"drag": ramp})])
    campaign = open_campaign(folder)
    (channel,) = signal_envelopes(campaign, campaign.run("1"), {}, 64)["channels"]
    low, high = np.array(channel["low"]), np.array(channel["high"])

    assert low[0] == 0
    assert high[-1] == 999
    np.testing.assert_allclose(low[1:], high[:-1] + 1)


def test_zeros_are_taken_out(tmp_path: Path) -> None:
    """Of the wind-off run that the sheet names; volts, since a coefficient has no zero."""
    n = 500
    units = {"drag": "N"}
    off = PlantedRun("0", {"drag": np.full(n, 3.0)}, configuration=None, units=units)
    on = PlantedRun("1", {"drag": np.full(n, 10.0)}, units=units, zero="0")
    campaign = open_campaign(write_runs(tmp_path / "c", [off, on]))
    run = campaign.run("1")
    (channel,) = signal_envelopes(campaign, run, zeros_of(campaign, run), 10)["channels"]

    assert channel["low"] == pytest.approx([7.0] * len(channel["low"]))
    assert channel["high"] == pytest.approx([7.0] * len(channel["low"]))
