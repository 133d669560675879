"""Files that sheets name: relative, there, and inside the campaign folder."""

from __future__ import annotations

from pathlib import Path


class PathFault(Exception):
    """Why a path in a sheet is refused."""


def named_file(folder: Path, beside: Path, text: str) -> Path:
    """The file a sheet names, relative to the sheet, links followed.

    Raises PathFault where it is absolute, leaves the campaign folder (by ".." or by a link),
    is missing, or is no file.
    """
    if "\0" in text:
        raise PathFault(f"is no path: {text!r} holds a NUL character")
    if Path(text).is_absolute():
        raise PathFault(f"must be relative to its sheet, got {text!r}")
    path = beside.parent / text
    if not is_inside(folder, path):
        raise PathFault(f"must stay inside the campaign folder, got {text!r}")
    if not path.exists():
        raise PathFault(f"names a file that does not exist: {text!r}")
    if not path.is_file():
        raise PathFault(f"must name a file, got {text!r}, which is none")
    return path.resolve()


def is_inside(folder: Path, path: Path) -> bool:
    """Whether a path lies in a folder once every link on the way is followed."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):  # a loop of links
        return False
