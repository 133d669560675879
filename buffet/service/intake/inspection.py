"""What a campaign's files are, once they are laid out in a folder: looked at in a child."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any

from buffet.service.intake.children import ChildError, ChildLimits, run_limited
from buffet.service.intake.errors import SheetFaultsError, shown
from buffet.service.intake.words import run_table_problems, word_problem
from ingest import (
    Campaign,
    IngestError,
    NoCampaignError,
    RecordingError,
    Run,
    SheetError,
    SheetFault,
    natural_order,
    open_campaign,
)

_NUMBER_OR_NONE = (int, float, type(None))
_KINDS = ("wind-on", "wind-off")
_READING = "reading "  # begins a line on standard error: where a child that fails has come to


@dataclass(frozen=True)
class RunFound:
    """A run that a campaign's sheets state."""

    number: str
    kind: str  # "wind-on" or "wind-off"
    configuration: str | None
    started: datetime | None  # with a time zone
    sheet: str  # names are relative to the campaign folder
    recordings: tuple[str, ...]
    recording_bytes: int  # on disk, of all of them
    speed_m_s: float | None  # of the wind, where it is stated
    waits: bool  # for another run: it is not part of the campaign yet


@dataclass(frozen=True)
class Inspection:
    """A campaign as it is in a folder; without title, runs and files where its sheets are wrong."""

    title: str | None
    baseline: str | None  # None, too, where no run has it yet
    configurations: tuple[str, ...]  # the baseline first
    runs: tuple[RunFound, ...]  # by number, "9" before "10"
    files: tuple[str, ...]  # sheets and all that they name, by name
    left_out: tuple[str, ...]  # what no sheet names
    faults: tuple[SheetFault, ...]  # of sheets, and of recordings that do not open
    waiting: tuple[SheetFault, ...]  # what is not there yet, while the tunnel runs

    def require_sound(self) -> None:
        """Raises SheetFaultsError with all faults, where there are any."""
        if self.faults:
            raise SheetFaultsError(self.faults)

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for JSON."""
        plain = asdict(self)
        for run, found in zip(plain["runs"], self.runs, strict=True):
            run["started"] = found.started.isoformat() if found.started else None
        return plain

    @classmethod
    def from_dict(cls, plain: Any) -> Inspection:
        """From what `as_dict` gave and JSON carried.

        Raises ValueError where it is anything else.
        """
        table = _Table(plain, set(cls.__dataclass_fields__))
        return cls(
            title=table.text_or_none("title"),
            baseline=table.text_or_none("baseline"),
            configurations=table.texts("configurations"),
            runs=tuple(map(_run, table.entries("runs"))),
            files=table.texts("files"),
            left_out=table.texts("left_out"),
            faults=tuple(map(_fault, table.entries("faults"))),
            waiting=tuple(map(_fault, table.entries("waiting"))),
        )


def inspect_limited(folder: Path, limits: ChildLimits | None = None) -> Inspection:
    """`inspect` in a limited child.

    Raises
    ------
    ChildError
        The child broke a limit or crashed; the message says at which file, where that is known.
    """
    try:
        return Inspection.from_dict(run_limited(_inspected, str(folder), limits=limits))
    except ChildError as error:
        lines = error.stderr.splitlines()
        read = [line.removeprefix(_READING) for line in lines if line.startswith(_READING)]
        if read:
            error.args = (f"{read[-1]} could not be read: {error.problem}",)
        raise
    except ValueError as error:
        raise ChildError(f"the process that read them gave no inspection ({error})") from error


def _inspected(folder: str) -> dict[str, Any]:
    return inspect(Path(folder)).as_dict()


def inspect(folder: Path) -> Inspection:
    """Look at a campaign laid out in a folder: its sheets, and whether its recordings open.

    Recordings are opened and their columns found, as for reading; most of them stays unread. Run
    it in a child (`inspect_limited`) where the files come from somebody else.
    """
    everything = tuple(sorted(_names_in(folder)))
    try:
        campaign = open_campaign(folder, unfinished=True)
    except SheetError as error:
        return _unsound(error.faults)
    except NoCampaignError:
        problem = "is missing; a campaign is a folder with campaign.toml and runs/*.toml"
        return _unsound([SheetFault("campaign.toml", "", problem)])
    runs = sorted(
        (*campaign.runs, *campaign.waiting_runs), key=lambda run: natural_order(run.number)
    )
    found = tuple(_found(campaign, run) for run in runs)
    files = {file.name for file in campaign.files}
    files |= {name for run in found for name in run.recordings}
    return Inspection(
        title=campaign.title,
        baseline=campaign.baseline,
        configurations=campaign.configurations,
        runs=found,
        files=tuple(sorted(files)),
        left_out=tuple(name for name in everything if name not in files),
        faults=(*_word_faults(campaign, runs), *_recording_faults(campaign, runs)),
        waiting=campaign.waiting,
    )


def _unsound(faults: Iterable[SheetFault]) -> Inspection:
    return Inspection(None, None, (), (), (), (), tuple(faults), ())


def _names_in(folder: Path) -> Iterator[str]:
    """Files below a folder; those of hidden folders, such as a cache's, are no part of it."""
    for place, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in names:
            yield (Path(place) / name).relative_to(folder).as_posix()


def _found(campaign: Campaign, run: Run) -> RunFound:
    return RunFound(
        number=run.number,
        kind=run.kind,
        configuration=run.configuration,
        started=run.started,
        sheet=_sheet(campaign, run),
        recordings=run.sources,
        recording_bytes=sum(path.stat().st_size for path in run.recordings),
        speed_m_s=run.air.speed_m_s,
        waits=any(run is waiting for waiting in campaign.waiting_runs),
    )


def _sheet(campaign: Campaign, run: Run) -> str:
    return run.sheet.relative_to(campaign.folder).as_posix()


def _word_faults(campaign: Campaign, runs: Sequence[Run]) -> Iterator[SheetFault]:
    """Words that a page, an address or the catalogue cannot take."""
    words = (("campaign.title", campaign.title), ("campaign.baseline", campaign.baseline or ""))
    for key, text in words:
        if (problem := word_problem(text)) is not None:
            yield SheetFault("campaign.toml", key, problem)
    for run in runs:
        table = {"run": {"number": run.number, "configuration": run.configuration}}
        for key, problem in run_table_problems(table):
            yield SheetFault(_sheet(campaign, run), key, problem)


def _recording_faults(campaign: Campaign, runs: Sequence[Run]) -> Iterator[SheetFault]:
    """Recordings that no reader takes, or that are not as their sheet says."""
    for run in runs:
        name = shown(run.sources[0])
        print(f"{_READING}{name}", file=sys.stderr, flush=True)
        try:
            run.open()
        except RecordingError as error:
            parts = (error.place, error.problem)
            said = ": ".join(filter(None, (_name_of(error.file, run), *parts)))
            yield SheetFault(_sheet(campaign, run), "run.recording", f"{said}; {error.advice}")
        except IngestError as error:
            yield SheetFault(_sheet(campaign, run), "run.recording", str(error))


def _name_of(file: Path, run: Run) -> str:
    """A recording's name in the campaign, not where it is laid out."""
    names = dict(zip(run.recordings, run.sources, strict=True))
    return names.get(file, file.name)


class _Table:
    """A JSON object with exactly these keys; its getters raise ValueError on any other kind."""

    def __init__(self, plain: Any, keys: set[str]) -> None:
        if not isinstance(plain, dict) or set(plain) != keys:
            raise ValueError(f"got {str(plain)[:60]!r}; wanted an object with {sorted(keys)}")
        self._plain = plain

    def of(self, key: str, kind: type | tuple[type, ...]) -> Any:
        value = self._plain[key]
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise ValueError(f"{key} is {str(value)[:60]!r}; wanted {kind}")
        return value

    def text_or_none(self, key: str) -> str | None:
        found: str | None = self.of(key, (str, type(None)))
        return found

    def texts(self, key: str) -> tuple[str, ...]:
        entries = self.entries(key)
        if not all(isinstance(entry, str) for entry in entries):
            raise ValueError(f"{key} holds other things than texts")
        return tuple(entries)

    def entries(self, key: str) -> list[Any]:
        found: list[Any] = self.of(key, list)
        return found


def _run(plain: Any) -> RunFound:
    table = _Table(plain, set(RunFound.__dataclass_fields__))
    kind, started = table.of("kind", str), table.text_or_none("started")
    if kind not in _KINDS:
        raise ValueError(f"kind is {kind!r}; wanted one of {_KINDS}")
    moment = None if started is None else datetime.fromisoformat(started)
    if moment is not None and moment.tzinfo is None:
        raise ValueError(f"started is {started!r}; wanted a time zone")
    n_bytes, speed = table.of("recording_bytes", int), table.of("speed_m_s", _NUMBER_OR_NONE)
    if n_bytes < 0 or not isfinite(speed or 0.0):
        raise ValueError(f"recording_bytes, speed_m_s are {n_bytes}, {speed}; wanted sizes")
    return RunFound(
        number=table.of("number", str),
        kind=kind,
        configuration=table.text_or_none("configuration"),
        started=moment,
        sheet=table.of("sheet", str),
        recordings=table.texts("recordings"),
        recording_bytes=n_bytes,
        speed_m_s=None if speed is None else float(speed),
        waits=table.of("waits", bool),
    )


def _fault(plain: Any) -> SheetFault:
    table = _Table(plain, set(SheetFault.__dataclass_fields__))
    file, key, problem = (table.of(name, str) for name in ("file", "key", "problem"))
    return SheetFault(file, key, problem, waits=table.of("waits", bool))
