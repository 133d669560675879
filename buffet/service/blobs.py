"""Content under its SHA-256: written once, never changed, found by nothing but its digest."""

from __future__ import annotations

import fcntl
import os
import re
import secrets
import shutil
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from buffet.service.errors import FolderError
from buffet.service.settings import Places

_DIGEST = re.compile(r"[0-9a-f]{64}")


def fsync_folder(folder: Path) -> None:
    """Have the names in a folder outlive a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def fsync_file(path: Path) -> None:
    """Have a file's content outlive a power cut."""
    with path.open("rb") as file:
        os.fsync(file.fileno())


class Blobs:
    """The content of a service's folder."""

    def __init__(self, places: Places) -> None:
        self._places = places
        for folder in (places.blobs, places.incoming, places.scratch):
            folder.mkdir(mode=0o700, exist_ok=True)

    def path(self, sha256: str) -> Path:
        """Where content stands, whether it is there or not.

        Raises ValueError for what is no digest.
        """
        if not _DIGEST.fullmatch(sha256):
            raise ValueError(f"{sha256!r} is no SHA-256")
        return self._places.blobs / sha256[:2] / sha256

    def adopt(self, file: Path, sha256: str) -> bool:
        """Take a file of this content in, for good when it returns; the file is gone then.

        It must stand in the service's folder. Content that is there already stays as it is:
        whether it is new.
        """
        target = self.path(sha256)
        if target.exists():
            file.unlink()
            return False
        file.chmod(0o400)
        fsync_file(file)
        if not target.parent.exists():
            target.parent.mkdir(mode=0o700, exist_ok=True)
            fsync_folder(self._places.blobs)
        file.replace(target)
        fsync_folder(target.parent)
        return True

    def lay_out(self, folder: Path, files: Mapping[str, str]) -> None:
        """Content under names that people gave, in a new folder of its own.

        Parameters
        ----------
        files : digest by name relative to the folder; names are checked ones (`intake.names`)

        Raises
        ------
        FolderError
            Content is missing.
        """
        folder.mkdir(mode=0o700)
        for name, sha256 in files.items():
            place = folder / name
            if not place.resolve().is_relative_to(folder.resolve()):
                raise FolderError(f"{name!r} leaves its folder")  # checked before; a last fence
            place.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(self.path(sha256), place)
            except FileNotFoundError:
                raise FolderError(
                    f"content {sha256} of {name!r} is missing in {self._places.blobs}; "
                    "restore it from a backup"
                ) from None

    @contextmanager
    def scratch(self) -> Iterator[Path]:
        """A folder for one piece of work, gone afterwards."""
        folder = self._places.scratch / secrets.token_hex(8)
        folder.mkdir(mode=0o700)
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def clear_unfinished(self) -> None:
        """Remove what an earlier server left of bodies and work that it did not finish."""
        for place in (self._places.incoming, self._places.scratch):
            for entry in place.iterdir():
                if entry.is_dir() and not entry.is_symlink():
                    shutil.rmtree(entry, ignore_errors=True)
                else:
                    entry.unlink(missing_ok=True)

    def sweep(self, known: Callable[[], Collection[str]]) -> int:
        """Remove content that no row names; how many there were.

        None where content is being taken in, or read by a backup: another time will do.

        Parameters
        ----------
        known : digests that are named, asked for once nothing can come in
        """
        removed = 0
        with suppress(BlockingIOError), self.held(exclusive=True):
            named = known()
            for path in self._places.blobs.glob("??/*"):
                if path.name not in named:
                    path.unlink(missing_ok=True)
                    removed += 1
        return removed

    @contextmanager
    def held(self, *, exclusive: bool = False) -> Iterator[None]:
        """Keeps content from going away: from before it is taken in until a row names it.

        Held by backups, too, from another process. Raises BlockingIOError where it is wanted
        exclusively and somebody has it.
        """
        with (self._places.blobs / ".held").open("w") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB if exclusive else fcntl.LOCK_SH)
            yield
