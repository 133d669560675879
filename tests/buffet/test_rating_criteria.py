"""Criteria of the user's own: read, used, and refused with all their faults."""
# ruff: noqa: E501  # one case a line reads as the table it is

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from buffet.rating.criteria import read_criteria
from tests.buffet.campaigns import changed, run_buffet, two_configurations
from tests.ingest.campaigns import toml

SPEED = ("--speed", "130 km/h")


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bare car with a lift RMS of 0.03, and a spoiler with half of it."""
    return two_configurations(tmp_path_factory.mktemp("criteria") / "campaign")


def refused(result: Any, *texts: str) -> None:
    """One readable message with all these texts, and nothing on stdout."""
    assert result.exit_code == 1
    assert result.stdout == ""
    for text in texts:
        assert text in result.stderr


CRITERION = {
    "id": "vertical-comfort",
    "metric": "seat-weighted",
    "motion": "vertical motion",
    "unit": "m/s²",
    "possible": 0.3,
    "likely": 0.5,
    "band_hz": [1.0, 20.0],
    "coverage": "vertical",
    "source": "mine",
}
CRITERIA: dict[str, Any] = {
    "format": 1,
    "verdict": {"likely_from": 0.5, "unlikely_below": 0.1},
    "criterion": [CRITERION],
}
CRITERIA_FAULTS: list[tuple[tuple[str | int, ...], Any, str]] = [
    (("format",), 2, "format: got 2; must be 1"),
    (("verdict", "likely_from"), 2, "verdict.likely_from: got 2; must be less than 1"),
    (("verdict", "unlikely_below"), None, "verdict.unlikely_below: is missing"),
    (("criterion", 0, "id"), "", "criterion.1.id: must not be empty"),
    (("criterion", 0, "metric"), "seat", "criterion.1.metric: got 'seat'; must be 'seat-over-road', 'seat-burst-over-road', 'seat-weighted', "),
    (("criterion", 0, "limit"), 1, "criterion.1.limit: unknown key"),
    (("criterion", 0, "likely"), 0.2, "criterion.1: likely must lie above possible"),
    (("criterion", 0, "band_hz"), [20.0, 1.0], "criterion.1: band_hz must be [low, high] with low below high"),
    (("criterion",), [], "criterion: got []; "),
]  # fmt: skip


@pytest.mark.parametrize("case", CRITERIA_FAULTS, ids=lambda case: str(case[2])[:40])
def test_criteria_at_fault(case: tuple[Any, ...], campaign: Path, tmp_path: Path) -> None:
    """The user's criteria are checked before any recording is read."""
    place, value, text = case
    path = tmp_path / "criteria.toml"
    path.write_text(toml(changed(CRITERIA, place, value)), encoding="utf-8")

    refused(
        run_buffet("rate", campaign, *SPEED, "--criteria", path),
        f"{path}: faults in the criteria",
        text,
    )


def test_all_faults_of_criteria_at_once(campaign: Path, tmp_path: Path) -> None:
    """Two faults make two lines."""
    path = tmp_path / "criteria.toml"
    faulty = changed(CRITERIA, ("verdict", "likely_from"), 2)
    path.write_text(toml(changed(faulty, ("format",), 3)), encoding="utf-8")

    refused(run_buffet("rate", campaign, *SPEED, "--criteria", path), "format: ", "likely_from: ")


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (None, "cannot be read (No such file or directory); wanted a TOML file of criteria"),
        (b"format = [", "no valid TOML"),
        (b'format = "\xff"', "is not UTF-8 text; save it as UTF-8"),
    ],
)
def test_criteria_that_are_no_toml(
    content: bytes | None, text: str, campaign: Path, tmp_path: Path
) -> None:
    """A file that is missing or is no text is named with the reason."""
    path = tmp_path / "criteria.toml"
    if content is not None:
        path.write_bytes(content)

    refused(run_buffet("rate", campaign, *SPEED, "--criteria", path), f"{path}: ", text)


# The rows of the rating's specification that the first form holds: id, unit, limits, band.
ROWS = [
    ("vertical-over-road", "1", 0.46, 1.0, (1.0, 20.0)),
    ("vertical-burst", "1", 0.46, 1.0, (1.0, 20.0)),
    ("vertical-comfort", "m/s²", 0.315, 0.5, (1.0, 20.0)),
    ("rear-load", "%", 3.0, 6.0, (0.5, 15.0)),
    ("lateral", "m/s²", 0.02, 0.05, (0.5, 10.0)),
    ("yaw-rate", "deg/s", 0.14, 0.28, (0.5, 5.0)),
    ("state-change", "m/s²", 0.03, 0.1, (0.5, 10.0)),
    ("cabin", "dB", 90.0, 100.0, (1.0, 20.0)),
]


def test_the_packages_own_rows() -> None:
    """Limits and bands as specified, each with a source; 0.011 m/s² is the silent gate."""
    criteria = read_criteria()
    rows = criteria.rows

    assert [(r.id, r.unit, r.possible, r.likely, r.band_hz) for r in rows] == ROWS
    assert all(row.source and row.validity for row in rows)
    silent = {row.id: row.silent_below_m_s2 for row in rows if row.silent_below_m_s2}
    assert silent == {"vertical-over-road": 0.011, "vertical-burst": 0.011}
    assert (criteria.likely_from, criteria.unlikely_below) == (0.5, 0.1)


def test_criteria_of_the_users_own(campaign: Path, tmp_path: Path) -> None:
    """Limits a hundredth as high turn the quiet spoiler into a likely one; the file is named."""
    path = tmp_path / "mine.toml"
    low = changed(CRITERIA, ("criterion", 0, "possible"), 0.003)
    path.write_text(toml(changed(low, ("criterion", 0, "likely"), 0.005)), encoding="utf-8")
    options = (*SPEED, "--up-to", "30 km/h", "--criteria", path, "--json")
    document = json.loads(run_buffet("rate", campaign, *options).stdout)

    assert document["criteria_source"] == str(path)
    for one in document["configurations"]:
        assert one["verdict"] == "likely"
        assert [row["id"] for row in one["criteria"]] == ["vertical-comfort"]
        assert one["criteria"][0]["source"] == "mine"
