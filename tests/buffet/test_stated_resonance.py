"""Resonances nobody stated, and stated ones that the records contradict."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from buffet.analysis import analyse
from buffet.checking import check
from buffet.stated_resonance import stated_resonance_findings
from ingest import Finding, open_campaign
from tests.buffet.campaigns import CAMPAIGN, Array, PlantedRun, run_buffet, write_runs, write_sheet
from tests.buffet.test_following import RIG_HZ, SPEEDS_M_S, noise, white, wind_on

OFF = {**CAMPAIGN, "campaign": {"title": "Rig alone"}}
RIG_DAMPING = 1 / (2 * 25.0)  # it was planted with Q = 25


def sweep(folder: Path, stated: dict[str, object]) -> Path:
    """Three wind speeds, with these keys on the lift."""
    runs = [
        replace(wind_on(str(i + 1), speed), channel=stated) for i, speed in enumerate(SPEEDS_M_S)
    ]
    return write_runs(folder, runs, CAMPAIGN)


def of_code(folder: Path, code: str) -> list[Finding]:
    """Findings of `check` with this code."""
    return [one for one in check(open_campaign(folder)).findings if one.code == code]


def test_an_unstated_resonance_comes_with_what_to_state(tmp_path: Path) -> None:
    """What the peaks of all runs say together, the same advice for each, so told once."""
    folder = sweep(tmp_path / "c", {})
    found = of_code(folder, "unstated-resonance")
    text = " ".join(run_buffet("check", folder).stdout.split())

    assert [one.run for one in found] == ["1", "2", "3"]
    assert len({one.advice for one in found}) == 1
    told = re.search(r'natural_frequency = "([\d.]+) Hz", damping = ([\d.]+) ', found[0].advice)
    assert told is not None
    assert float(told[1]) == pytest.approx(RIG_HZ, rel=0.01)
    assert float(told[2]) == pytest.approx(RIG_DAMPING, rel=0.3)
    assert "the RMS is 0.0" in found[0].message
    assert text.count("[unstated-resonance]") == 1
    assert "Likewise in runs 2, 3." in text


def test_a_resonance_that_is_stated_elsewhere_is_contradicted(tmp_path: Path) -> None:
    """Inside the band that 45 Hz leaves, 36 Hz, the balance still rings at 31 Hz."""
    folder = sweep(tmp_path / "c", {"natural_frequency": "45 Hz", "damping": 0.02})
    found = of_code(folder, "resonance-disagrees")

    assert [one.run for one in found] == ["1", "2", "3"]
    assert {one.severity for one in found} <= {"warning", "note"}
    assert "and the sheet states 45 Hz" in found[0].message
    assert 'natural_frequency = "31.' in found[0].advice or '"30.' in found[0].advice
    assert not of_code(folder, "unstated-resonance")


def wind_off(samples: Array, stated: dict[str, object]) -> PlantedRun:
    """A record without wind of a lift."""
    return PlantedRun("0", {"lift": samples}, None, channel=stated)


STATED_38, STATED_31 = ({"natural_frequency": f"{hz} Hz", "damping": 0.02} for hz in (38, 31))
RINGS = noise(RIG_HZ, 25.0, 0.01, 5) + white(0.002, 6)


@pytest.mark.parametrize(
    ("samples", "stated", "told"),
    [(RINGS, STATED_38, 1), (RINGS, STATED_31, 0), (white(0.01, 7), STATED_38, 0), (RINGS, {}, 0)],
    ids=["elsewhere", "there", "silent", "nothing stated"],
)
def test_a_record_without_wind_contradicts_what_it_shows_elsewhere(
    tmp_path: Path, samples: Array, stated: dict[str, object], told: int
) -> None:
    """Beyond the band that is used as well; a record that rings nowhere says nothing."""
    folder = write_runs(tmp_path / "c", [wind_off(samples, stated)], OFF)
    found = of_code_of_wind_off(folder)

    assert len(found) == told
    for one in found:
        assert (one.severity, one.code, one.channel) == ("warning", "resonance-disagrees", "lift")
        assert "without wind it rings at 3" in one.message
        assert "not at the 38 Hz that the sheet states" in one.message


def of_code_of_wind_off(folder: Path) -> list[Finding]:
    """What the first wind-off run says of its stated resonances."""
    (run,) = analyse(open_campaign(folder)).wind_off
    return list(stated_resonance_findings(run))


def test_a_tap_test_is_not_read_as_noise(tmp_path: Path) -> None:
    """`resonance` is for it."""
    run = wind_off(RINGS, STATED_38)
    folder = write_runs(tmp_path / "c", [run], OFF)
    sheet = run.sheet()
    sheet["run"]["excitation"] = "tap"
    write_sheet(folder, "0", sheet)

    assert of_code_of_wind_off(folder) == []
