"""What lies in a watched folder: names and stamps, without links and without opening anything."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from buffet.service.intake.errors import BadNameError, TooLargeError
from buffet.service.intake.limits import UploadLimits
from buffet.service.intake.names import checked_name

CAMPAIGN_FILE = "campaign.toml"
LIMITS = UploadLimits()
# Folders are kept by year and client, say; deeper than that nobody puts campaigns (judgement).
DEEPEST = 3


@dataclass(frozen=True)
class Stamp:
    """What changes when a file does."""

    size: int
    modified_ns: int
    changed_ns: int  # of rights, too: what could not be read may be readable now
    inode: int

    @classmethod
    def of(cls, found: os.stat_result) -> Stamp:
        """Of a file's state."""
        return cls(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


def campaign_folders(root: Path, except_for: Path) -> Iterator[str]:
    """Names below a folder of those that hold a campaign.toml, "." for itself; none in another.

    A folder that cannot be read, and the service's own, are passed over.

    Raises OSError where the root itself cannot be read.
    """
    service = except_for.stat()
    own = service.st_ino, service.st_dev
    with os.scandir(root) as entries:
        yield from _campaigns_in(list(entries), ".", 0, own)


def _campaigns_in(
    entries: list[os.DirEntry[str]], name: str, depth: int, own: tuple[int, int]
) -> Iterator[str]:
    if any(entry.name == CAMPAIGN_FILE and _is_file(entry) for entry in entries):
        yield name
        return
    if depth == DEEPEST:
        return
    for entry in sorted(entries, key=lambda entry: entry.name):
        try:
            if entry.name.startswith(".") or not entry.is_dir(follow_symlinks=False):
                continue
            found = entry.stat(follow_symlinks=False)
            if (found.st_ino, found.st_dev) == own:
                continue
            with os.scandir(entry) as inner:
                below = list(inner)
        except OSError:
            continue
        yield from _campaigns_in(below, _joined(name, entry.name), depth + 1, own)


def look(folder: Path) -> dict[str, Stamp]:
    """Regular files in a campaign's folder by name; hidden ones, links and odd names are left out.

    A folder in it that cannot be read is left out until it can be.

    Raises
    ------
    OSError
        The folder itself cannot be read.
    TooLargeError
        There are more files than a campaign has.
    """
    found: dict[str, Stamp] = {}
    waiting = [(folder, "", 0)]
    while waiting:
        place, prefix, depth = waiting.pop()
        try:
            entries = os.scandir(place)
        except OSError:
            if depth == 0:
                raise
            continue
        with entries:
            for entry in entries:
                name = prefix + entry.name
                if entry.name.startswith("."):
                    continue
                if _is_file(entry):
                    with suppress(OSError):  # gone meanwhile
                        found[name] = Stamp.of(entry.stat(follow_symlinks=False))
                elif depth < LIMITS.depth and entry.is_dir(follow_symlinks=False):
                    waiting.append((Path(entry.path), f"{name}/", depth + 1))
        if len(found) > LIMITS.entries:
            raise TooLargeError(f"more than {LIMITS.entries} files in the watched folder {folder}")
    return found


def can_be_kept(name: str) -> bool:
    """Whether a campaign of the catalogue can have a file of this name."""
    try:
        return checked_name(name) == name
    except BadNameError:
        return False


def _is_file(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_file(follow_symlinks=False)
    except OSError:
        return False


def _joined(folder: str, name: str) -> str:
    return name if folder == "." else f"{folder}/{name}"


def opened(root: Path, name: str) -> int:
    """A handle to read a regular file below a folder; no link is followed on the way to it.

    Raises OSError where there is none, or anything but that.
    """
    *folders, last = [part for part in name.split("/") if part != "."]
    place = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
    try:
        for part in folders:
            flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW
            inner = os.open(part, flags, dir_fd=place)
            os.close(place)
            place = inner
        # What became a pipe meanwhile must not hold the thread.
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK
        handle = os.open(last, flags, dir_fd=place)
    finally:
        os.close(place)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(f"{name} is no regular file")
    return handle
