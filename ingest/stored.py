"""Campaigns in an object store: sheets are fetched at once, a recording when it is opened.

Addresses are those of fsspec, such as s3://bucket/campaign; what a store wants to know of whoever
asks stands in that machine's own settings and travels nowhere.
"""

from __future__ import annotations

import re
import weakref
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, fields, replace
from errno import EDQUOT, ENOSPC, EROFS
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

from ingest.campaign import CAMPAIGN_FILE, Campaign, open_campaign
from ingest.errors import IngestError, RecordingError, SheetError, StoreError
from ingest.readers.byte_source import file_digest
from ingest.record import Record, Run
from ingest.sheet_faults import read_toml
from ingest.sheet_files import naming_texts
from ingest.zeros import ZeroReading

# What `sha256sum` writes, at the campaign's top; recordings that it names are held against it.
DIGESTS_FILE = "SHA256SUMS"
_DIGEST_LINE = re.compile(r"([0-9a-fA-F]{64}) [ *](?:\./)?(.+)")
_NO_ROOM = (ENOSPC, EDQUOT, EROFS)
# Where recordings are fetched to; None: where the system keeps such files.
_SCRATCH: ContextVar[str | None] = ContextVar("scratch", default=None)


@dataclass(frozen=True)
class StoredRun(Run):
    """A run whose recording lies in a store: `recordings` stand for it, and hold nothing."""

    address: str = ""  # of the campaign
    sizes: tuple[int, ...] = ()  # of `sources`, in bytes
    digests: tuple[str | None, ...] = ()  # SHA-256 of each, where the campaign states it

    @property
    def is_of_one_process(self) -> bool:
        """Whether no other process finds its store."""
        return self.address.rpartition("::")[2].startswith("memory:")

    def open(
        self,
        zeros: Mapping[str, ZeroReading] | None = None,
        *,
        checked: bool = True,
        ahead: bool = True,
    ) -> Record:
        """As of any run; the recording is fetched and kept as long as the record is.

        Raises StoreError or RecordingError where it cannot be had as the store lists it.
        """
        store, scratch = _Store(self.address), _scratch(self.address)
        try:
            folder = Path(scratch.name)
            fetched = tuple(self._fetched(store, folder, i) for i in range(len(self.sources)))
            own = {one.name: getattr(self, one.name) for one in fields(Run)}
            run = Run(**own | {"recordings": fetched})
            record = Record(run, zeros or {}, checked=checked, ahead=ahead)
        except BaseException:
            scratch.cleanup()
            raise
        weakref.finalize(record, scratch.cleanup)
        return record

    def _fetched(self, store: _Store, scratch: Path, index: int) -> Path:
        source = self.sources[index]
        path = scratch / str(index) / PurePosixPath(source).name
        store.fetch(source, path)
        shown = f"{self.address}/{source}"
        if path.stat().st_size != self.sizes[index]:
            problem = f"has {path.stat().st_size} bytes, and had {self.sizes[index]} when listed"
            raise RecordingError(shown, "", problem, "wait until it is written whole")
        stated = self.digests[index]
        if stated is not None and file_digest(path) != stated:
            problem = f"is not the file whose SHA-256 stands in {DIGESTS_FILE}"
            raise RecordingError(shown, "", problem, "store it again, or state its digest afresh")
        return path


def open_stored_campaign(address: str) -> Campaign:
    """Read and check every sheet of a campaign in a store; no recording is fetched.

    Parameters
    ----------
    address : of the folder with campaign.toml, as fsspec has it

    Raises
    ------
    StoreError
        The store cannot be reached or used, or holds no campaign there.
    SheetError
        Its sheets have faults.
    """
    address = address.rstrip("/")
    store = _Store(address)
    sizes = store.sizes()
    if CAMPAIGN_FILE not in sizes:
        raise StoreError(address, f"holds no {CAMPAIGN_FILE}")
    mirror = _scratch(address)
    folder = Path(mirror.name) / store.name
    try:
        _lay_out(folder, store, sizes)
        campaign = open_campaign(folder)
    except SheetError as error:
        mirror.cleanup()
        raise SheetError(address, error.faults) from error
    except BaseException:
        mirror.cleanup()
        raise
    stated = _stated_digests(folder) if DIGESTS_FILE in sizes else {}
    runs = tuple(_stored(run, address, sizes, stated) for run in campaign.runs)
    found = replace(campaign, runs=runs)
    weakref.finalize(found, mirror.cleanup)
    return found


@contextmanager
def fetching_into(folder: str) -> Iterator[None]:
    """What is fetched within goes below a folder whose owner clears what a dead process left."""
    before = _SCRATCH.set(folder)
    try:
        yield
    finally:
        _SCRATCH.reset(before)


def _scratch(address: str) -> TemporaryDirectory[str]:
    try:
        return TemporaryDirectory(prefix="buffet-", dir=_SCRATCH.get())
    except OSError as error:
        raise _no_room(address, error) from error


class _Store:
    """A campaign's place in a store, as fsspec has it; what goes wrong there is a StoreError."""

    def __init__(self, address: str) -> None:
        self.address = address
        with _asked(address):
            from fsspec.core import url_to_fs

            self._files, root = url_to_fs(address)
            self._root = str(root).rstrip("/")

    @property
    def name(self) -> str:
        """The last part of its address."""
        return PurePosixPath(self._root).name

    def sizes(self) -> dict[str, int]:
        """Bytes of each of its files; none that a file system would take elsewhere."""
        found = {}
        with _asked(self.address):
            for path, about in self._files.find(self._root, detail=True).items():
                name = PurePosixPath(path.removeprefix(self._root).lstrip("/"))
                if path.startswith(self._root) and name.parts and ".." not in name.parts:
                    found[name.as_posix()] = int(about["size"] or 0)
        return found

    def fetch(self, name: str, path: Path) -> None:
        """One file to where it is wanted."""
        with _asked(self.address):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._files.get_file(f"{self._root}/{name}", str(path))


@contextmanager
def _asked(address: str) -> Iterator[None]:
    """What a store may answer, as one error of ours."""
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] == "fsspec":
            advice = 'fsspec is missing; install it with: pip install "buffeting[cluster]"'
            raise StoreError(address, advice) from error
        raise StoreError(address, f"its store needs another package: {error}") from error
    except ImportError as error:  # fsspec's own word for a package that a store needs
        raise StoreError(address, f"its store needs another package: {error}") from error
    except (IngestError, MemoryError):
        raise
    except Exception as error:  # stores have errors of their own, of no common class
        if isinstance(error, OSError) and error.errno in _NO_ROOM:
            raise _no_room(address, error) from error
        name = type(error).__name__
        told = str(error) if isinstance(error, OSError | ValueError) else f"{name}: {error}"
        raise StoreError(address, f"cannot be read: {told or name}") from error


def _no_room(address: str, error: OSError) -> StoreError:
    advice = "make room there, or name another folder in TMPDIR"
    return StoreError(address, f"what is fetched cannot be kept meanwhile ({error}); {advice}")


def _lay_out(folder: Path, store: _Store, sizes: Mapping[str, int]) -> None:
    """Sheets and the small files that they name; of the rest empty files of the same size."""
    waiting = [CAMPAIGN_FILE, *(one for one in sizes if _is_run_sheet(one))]
    waiting += [DIGESTS_FILE] if DIGESTS_FILE in sizes else []
    fetched: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name in fetched:
            continue
        fetched.add(name)
        store.fetch(name, folder / name)
        table = read_toml(folder / name, name) if name.endswith(".toml") else {}
        beside = PurePosixPath(name).parent
        texts = naming_texts(table) if isinstance(table, dict) else ()
        waiting += [one for text in texts if (one := _within(beside, text)) in sizes]
    for name in sizes.keys() - fetched:
        with _asked(store.address):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            with (folder / name).open("wb") as file:
                file.truncate(sizes[name])


def _is_run_sheet(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return len(parts) == 2 and parts[0] == "runs" and name.endswith(".toml")


def _within(beside: PurePosixPath, text: str) -> str:
    """The campaign's name of a file that a sheet names relative to itself."""
    parts: list[str] = []
    for part in (beside / text).parts:
        if part == ".." and parts:
            parts.pop()
        else:
            parts.append(part)
    return "/".join(parts)


def _stated_digests(folder: Path) -> dict[str, str]:
    lines = (folder / DIGESTS_FILE).read_text(encoding="utf-8", errors="replace").splitlines()
    found = (_DIGEST_LINE.fullmatch(line) for line in lines)
    return {one[2]: one[1].lower() for one in found if one}


def _stored(
    run: Run, address: str, sizes: Mapping[str, int], stated: Mapping[str, str]
) -> StoredRun:
    own = {one.name: getattr(run, one.name) for one in fields(Run)}
    return StoredRun(
        **own,
        address=address,
        sizes=tuple(sizes[source] for source in run.sources),
        digests=tuple(map(stated.get, run.sources)),
    )
