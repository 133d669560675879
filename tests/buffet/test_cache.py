"""`--cache`: commands say the same to the last byte, and are told the folder when it fails."""

from __future__ import annotations

from pathlib import Path

import pytest

import buffet
from ingest import recording_cache
from ingest.recording_cache import FOLDER
from tests.buffet.campaigns import run_buffet, two_configurations

COMMANDS = {
    "rate": ("--speed", "130 km/h", "--up-to", "30 km/h", "--json"),
    "spectra": ("--json",),
    "check": ("--json",),
}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two configurations, a run each."""
    return two_configurations(tmp_path_factory.mktemp("cache") / "campaign")


@pytest.mark.parametrize("command", COMMANDS)
def test_results_are_the_same_byte_by_byte(
    command: str, campaign: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the cache, while it is filled, and from it, when nothing else is read."""
    plain = run_buffet(command, campaign, *COMMANDS[command])
    filled = run_buffet(command, campaign, *COMMANDS[command], "--cache")
    monkeypatch.delattr(recording_cache, "open_recording")
    kept = run_buffet(command, campaign, *COMMANDS[command], "--cache")

    assert plain.exit_code == filled.exit_code == kept.exit_code
    assert plain.stdout_bytes == filled.stdout_bytes == kept.stdout_bytes != b""
    assert kept.stderr == plain.stderr


def test_a_campaign_opened_with_the_cache_keeps_its_recordings(campaign: Path) -> None:
    """From Python."""
    opened = buffet.open_campaign(campaign, cache=True)

    assert {run.cache for run in opened.runs} == {campaign / FOLDER}
    assert opened.runs == buffet.open_campaign(campaign).runs


def test_a_folder_that_cannot_be_written_is_one_message(tmp_path: Path) -> None:
    """Before anything is read."""
    folder = two_configurations(tmp_path / "campaign")
    (folder / FOLDER).write_text("in its place")

    result = run_buffet("spectra", folder, "--cache")

    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert "recordings cannot be kept there (File exists); leave out --cache" in result.stderr
