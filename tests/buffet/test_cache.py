"""`--cache`: commands say the same to the last byte, and are told the folder when it fails."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import buffet
from ingest import CacheError, recording_cache
from ingest.cache_keys import FOLDER
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
    told = "recordings cannot be kept there (File exists); leave out {}, or copy the campaign to "
    assert told.format("--cache") in result.stderr
    assert "cache=True" not in result.stderr
    with pytest.raises(CacheError, match=re.escape(told.format("cache=True"))):
        buffet.open_campaign(folder, cache=True)


def test_a_store_has_no_cache() -> None:
    """Told in the words of whoever asked, before the store is looked at."""
    result = run_buffet("check", "s3://bucket/campaign", "--cache")

    assert result.exit_code == 1
    told = (
        "s3://bucket/campaign: recordings cannot be kept there (it is a store); leave out --cache"
    )
    assert told in result.stderr
    with pytest.raises(CacheError, match="leave out cache=True"):
        buffet.open_campaign("s3://bucket/campaign", cache=True)


def test_sheets_that_change_drop_what_they_asked_for(tmp_path: Path) -> None:
    """At the next command with the cache, whichever run it is about; what others ask for stays."""
    folder = two_configurations(tmp_path / "campaign")
    runs = buffet.open_campaign(folder, cache=True).runs
    for run in runs:
        list(run.open().blocks())
    before = {path.name for path in (folder / FOLDER).glob("*.f64")}
    (sheet, *_) = sorted((folder / "runs").glob("*.toml"))
    words = sheet.read_text(encoding="utf-8")
    sheet.write_text(words.replace('"rate"', '"from" = "1 s", "rate"', 1), encoding="utf-8")

    buffet.open_campaign(folder, cache=True)
    left = {path.name for path in (folder / FOLDER).glob("*.f64")}

    assert len(before) == len(runs) > 1
    assert left < before
    assert len(left) == len(before) - 1
