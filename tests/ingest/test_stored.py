"""Campaigns in an object store: sheets at once, recordings when they are opened, nothing left."""

from __future__ import annotations

import errno
import gc
import hashlib
import pickle
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar
from unittest.mock import Mock

import fsspec
import numpy as np
import pytest
from fsspec.implementations.local import LocalFileSystem

from ingest import (
    Campaign,
    RecordingError,
    SheetError,
    StoredRun,
    StoreError,
    fetching_into,
    open_campaign,
    open_stored_campaign,
)
from tests.buffet.campaigns import lift_run, wind_off, write_runs
from tests.ingest.campaigns import toml

ADDRESS = "memory://hall/campaign"
VEHICLE = Path(__file__).parents[2] / "demo_runs" / "vehicle.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two short runs and a car's sheet."""
    runs = [wind_off("0", seconds=2.0), lift_run("1", 0.03, seconds=2.0)]
    made = write_runs(tmp_path / "campaign", runs)
    sheet = made / "campaign.toml"
    named = '\n[vehicle]\nfile = "cars/vehicle.toml"\n'
    sheet.write_text(sheet.read_text(encoding="utf-8") + named, encoding="utf-8")
    (made / "cars").mkdir()
    (made / "cars" / "vehicle.toml").write_bytes(VEHICLE.read_bytes())
    return made


@pytest.fixture
def stored(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The same in a store; the folder in which this machine keeps what it fetches."""
    store = fsspec.filesystem("memory")
    store.put(str(folder), "/hall/", recursive=True)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    yield scratch
    store.rm("/hall", recursive=True)


def samples(campaign: Campaign, number: str) -> np.ndarray:
    """All that a run's record holds."""
    return np.concatenate(list(campaign.run(number).open().blocks()), axis=1)


def test_a_stored_campaign_is_the_same(folder: Path, stored: Path) -> None:
    """Car, sheets, samples and provenance; a recording's copy goes with its record."""
    here, there = open_campaign(folder), open_stored_campaign(ADDRESS)

    assert there.vehicle == here.vehicle
    assert there.files == here.files
    np.testing.assert_array_equal(samples(there, "1"), samples(here, "1"))
    record = there.run("1").open()
    assert len(list(stored.rglob("1.csv"))) == 2  # where it stands in its place, and the copy
    assert sum(block.shape[1] for block in record.blocks()) == 500
    (file,) = record.provenance.files
    assert file.name == "runs/1.csv"
    assert file.sha256 == hashlib.sha256((folder / "runs/1.csv").read_bytes()).hexdigest()
    del record, there
    gc.collect()
    assert not list(stored.iterdir())


def test_a_stored_run_travels(stored: Path) -> None:
    """By its address, without what stands here in its place."""
    campaign = open_stored_campaign(ADDRESS)
    run: StoredRun = pickle.loads(pickle.dumps(campaign.run("1")))
    del campaign
    gc.collect()

    assert run.address == ADDRESS
    assert run.open().sample_rate_hz == 250


def test_no_recording_is_fetched_to_open_a_campaign(stored: Path) -> None:
    """What stands in its place has its size and no content."""
    campaign = open_stored_campaign(ADDRESS)
    (place,) = campaign.run("1").recordings

    assert place.stat().st_size > 1000
    assert not place.read_bytes().strip(b"\0")


def test_stated_digests_are_checked(folder: Path, stored: Path) -> None:
    """As `sha256sum` writes them; one that differs is refused, one that is missing is not."""
    store = fsspec.filesystem("memory")
    digest = hashlib.sha256((folder / "runs/1.csv").read_bytes()).hexdigest()
    store.pipe("/hall/campaign/SHA256SUMS", f"{digest}  ./runs/1.csv\n".encode())
    sound = open_stored_campaign(ADDRESS)
    assert samples(sound, "1").shape == samples(sound, "0").shape == (3, 500)
    other = (folder / "runs/1.csv").read_bytes().replace(b"0.1", b"0.2", 1)
    store.pipe("/hall/campaign/runs/1.csv", other)

    with pytest.raises(RecordingError, match=r"runs/1\.csv: is not the file whose SHA-256 stands"):
        sound.run("1").open()


def test_a_recording_that_still_grows_is_refused(stored: Path) -> None:
    """Its size is not the one that was listed."""
    campaign = open_stored_campaign(ADDRESS)
    store = fsspec.filesystem("memory")
    whole = store.cat("/hall/campaign/runs/1.csv")
    store.pipe("/hall/campaign/runs/1.csv", whole + b"1,1,1\n")

    with pytest.raises(RecordingError, match=r"bytes, and had \d+ when listed; wait until"):
        campaign.run("1").open()
    store.rm("/hall/campaign/runs/1.csv")
    with pytest.raises(StoreError, match="cannot be read"):
        campaign.run("1").open()


def test_faults_of_stored_sheets_are_told(folder: Path, stored: Path) -> None:
    """As of a folder's."""
    sheet = {"format": 1, "campaign": {"title": "c", "baselin": "bare"}}
    fsspec.filesystem("memory").pipe("/hall/campaign/campaign.toml", toml(sheet).encode())

    with pytest.raises(SheetError, match="baselin"):
        open_stored_campaign(ADDRESS)


class Unwilling(LocalFileSystem):  # type: ignore[misc]
    """A store whose library has errors of its own, of no class that is known here."""

    protocol = "unwilling"
    wrong: ClassVar[dict[str, Exception]] = {}  # by the end of what is asked for

    def _raise(self, asked: str) -> None:
        for ending, error in self.wrong.items():
            if asked.endswith(ending):
                raise error

    def find(self, path: str, *args: Any, **options: Any) -> Any:
        self._raise(path)
        return super().find(path, *args, **options)

    def get_file(self, path: str, *args: Any, **options: Any) -> None:
        self._raise(path)
        super().get_file(path, *args, **options)


class CredentialsError(Exception):
    """As a store's library has it."""


@pytest.fixture
def unwilling(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Address of a campaign there."""
    fsspec.register_implementation("unwilling", Unwilling, clobber=True)
    monkeypatch.setattr(Unwilling, "wrong", {})
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    return f"unwilling://{folder}"


def test_what_only_a_store_knows_is_one_error(unwilling: str) -> None:
    """On opening, and of one recording."""
    campaign = open_stored_campaign(unwilling)
    Unwilling.wrong["runs/1.csv"] = CredentialsError("throttled")
    assert campaign.run("0").open().sample_rate_hz == 250
    with pytest.raises(StoreError, match="cannot be read: CredentialsError: throttled"):
        campaign.run("1").open()
    Unwilling.wrong["campaign"] = CredentialsError("unable to locate credentials")
    told = f"{unwilling}: cannot be read: CredentialsError: unable to locate credentials"
    with pytest.raises(StoreError, match=told):
        open_stored_campaign(unwilling)


def test_no_room_for_what_is_fetched(unwilling: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told as what it is: in the middle of a file, and where not even a folder can be made."""
    full = OSError(errno.ENOSPC, "No space left on device")
    campaign = open_stored_campaign(unwilling)
    Unwilling.wrong["runs/1.csv"] = full
    told = r"kept meanwhile \(\[Errno 28\] No space left on device.*\); .* TMPDIR"
    with pytest.raises(StoreError, match=told):
        campaign.run("1").open()
    monkeypatch.setattr("ingest.stored.TemporaryDirectory", Mock(side_effect=full))
    with pytest.raises(StoreError, match=told):
        campaign.run("0").open()
    with pytest.raises(StoreError, match=told):
        open_stored_campaign(unwilling)


def test_a_fault_of_ours_is_no_store_s(unwilling: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the program is not told as one of the store."""
    monkeypatch.setattr("ingest.stored.open_campaign", Mock(side_effect=KeyError("planted")))
    with pytest.raises(KeyError, match="planted"):
        open_stored_campaign(unwilling)


def test_fetched_to_where_it_is_wanted(stored: Path, tmp_path: Path) -> None:
    """Below a folder that somebody else clears; else where the system keeps such files."""
    campaign, place = open_stored_campaign(ADDRESS), tmp_path / "worker"
    place.mkdir()
    with fetching_into(str(place)):
        record = campaign.run("1").open()
    assert [path.name for path in place.rglob("*.csv")] == ["1.csv"]
    del record
    gc.collect()
    record = campaign.run("1").open()
    assert record.sample_rate_hz == 250
    assert not list(place.iterdir())
    assert len(list(stored.rglob("1.csv"))) == 2


@pytest.mark.parametrize(
    ("address", "alone"),
    [
        ("memory://hall/c", True),
        ("simplecache::memory://hall/c", True),
        ("s3://memory/c", False),
        ("local:///memory:/c", False),
    ],
)
def test_stores_of_one_process(address: str, alone: bool, stored: Path) -> None:
    """Where nobody else finds what is stored."""
    run = replace(open_stored_campaign(ADDRESS).run("1"), address=address)  # type: ignore[call-arg]
    assert isinstance(run, StoredRun)
    assert run.is_of_one_process is alone


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("memory://hall/nothing", "memory://hall/nothing: holds no campaign.toml"),
        ("local:///no/such/place", "holds no campaign.toml"),
        ("nosuch://hall/campaign", "cannot be read: Protocol not known"),
    ],
)
def test_addresses_without_a_campaign(address: str, told: str) -> None:
    """Each is told with the address."""
    with pytest.raises(StoreError, match=told):
        open_stored_campaign(address)


def test_what_is_missing_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the extra that brings it."""
    monkeypatch.setitem(sys.modules, "fsspec", None)
    monkeypatch.setitem(sys.modules, "fsspec.core", None)

    with pytest.raises(StoreError, match=r'pip install "buffeting\[cluster\]"'):
        open_stored_campaign(ADDRESS)
