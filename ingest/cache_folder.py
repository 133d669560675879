"""The folder of a campaign's cache: whether it may be filled, and what in it is of no use."""

from __future__ import annotations

import logging
import os
import tempfile
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from ingest.cache_entry import ABOUT, IN_MAKING, SAMPLES, host, maker
from ingest.cache_keys import FOLDER, NOTE, Asked
from ingest.errors import CacheError

_LEFT_S = 86_400.0  # on other hosts no entry is in the making for a day
_log = logging.getLogger(__name__)


def cache_folder(campaign: Path) -> tuple[Path, bool]:
    """The folder of a campaign's cache, made where it is not there, and whether it may be filled.

    What killed processes left in the making goes.

    Raises
    ------
    CacheError
        There is none, and none can be made.
    """
    folder = campaign.resolve() / FOLDER  # also for processes in another folder
    try:
        folder.mkdir(exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as fault:
        problem = fault.strerror or str(fault)
        if not (folder.is_dir() and os.access(folder, os.R_OK)):
            raise CacheError(folder, problem) from fault
        _log.warning("%s: what is there is used, nothing is added (%s)", folder, problem)
        return folder, False
    for left in folder.glob(f"*{IN_MAKING}"):
        with suppress(OSError):  # its maker may be quicker
            if _is_left(left):
                left.unlink()
    return folder, True


def _is_left(made: Path) -> bool:
    """Whether nobody makes it any more.

    A process in a container of this host's name may be taken for one of this host's: it is told
    then that its recording is not kept.
    """
    of_host, pid = maker(made)
    if of_host == host() and os.name == "posix" and not _runs(pid):
        return True
    return time.time() - made.stat().st_mtime > _LEFT_S


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:  # somebody else's
        pass
    return True


def let_go_of_unasked(folder: Path, every: Iterable[Asked]) -> None:
    """Entries and notes that nobody asks for any more; `every` is what all sheets together ask.

    Of recordings that are gone or have changed, of sheets that read them otherwise, and of other
    versions of the program. Whoever is reading such an entry reads on, and who comes to it later
    reads the recording: what can be lost is time alone.
    """
    there = list(folder.iterdir())  # before the notes: what is kept meanwhile is asked for, too
    keys: set[str] = set()
    notes: set[str] = set()
    for asked in every:
        notes |= {asked.note(path).name for path in asked.paths}
        digests = asked.noted()
        if digests is not None:
            keys.add(asked.key(digests))
    for path in there:
        is_entry = path.suffix in (ABOUT, SAMPLES)
        of_no_use = is_entry and path.stem.partition("-")[2] not in keys
        if of_no_use or (path.suffix == NOTE and path.name not in notes):
            with suppress(OSError):
                path.unlink(missing_ok=True)
