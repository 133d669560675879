"""A tap test states itself in its run sheet and gives no zero."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest import SheetError, open_campaign
from tests.ingest.campaigns import run_sheet, three_runs, write_campaign


def test_a_tap_test_is_a_wind_off_run_of_its_own(tmp_path: Path) -> None:
    """The other runs state no excitation."""
    runs = three_runs() | {"018": run_sheet("018", "wind-off", excitation="tap")}
    campaign = open_campaign(write_campaign(tmp_path, runs))

    assert campaign.run("018").excitation == "tap"
    assert {campaign.run(number).excitation for number in ("012", "014", "016")} == {None}


@pytest.mark.parametrize("key", ["zero_before", "zero_after"])
def test_a_tap_test_is_no_zero(tmp_path: Path, key: str) -> None:
    """A mean over strikes and decays is not what the balance reads at rest."""
    runs = three_runs()
    runs["014"]["run"][key] = "018"
    runs["018"] = run_sheet("018", "wind-off", excitation="tap")

    with pytest.raises(SheetError) as caught:
        open_campaign(write_campaign(tmp_path, runs))

    assert [str(fault) for fault in caught.value.faults] == [
        f"runs/014.toml: run.{key}: run '018' is a tap test (its excitation), which gives no zero"
    ]
