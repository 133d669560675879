"""Sheets of a watched campaign and the files that each names: what comes in together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from buffet.service.intake.errors import BadNameError
from buffet.service.intake.names import name_beside
from buffet.service.watch.tree import CAMPAIGN_FILE, Stamp, can_be_kept
from ingest import SheetFault, natural_order, parse_toml

Fault = dict[str, str]  # file, key, problem; as `campaigns.waiting` holds them


@dataclass(frozen=True)
class Sheet:
    """A TOML file, as far as it matters here."""

    texts: tuple[str, ...]  # all that it states: any may name a file
    recordings: tuple[str, ...]  # without which a run is not finished
    fault: Fault | None


@dataclass(frozen=True)
class Group:
    """A sheet with the files that it names, directly or through another sheet."""

    sheet: str
    names: tuple[str, ...]  # the sheet's own first; those that are there
    missing: tuple[str, ...]  # recordings that are not
    fault: Fault | None  # of a sheet that cannot be read


def fault_of(file: str, key: str, problem: str) -> Fault:
    """As the catalogue keeps it."""
    return {"file": file, "key": key, "problem": problem}


def read_sheet(name: str, data: bytes) -> Sheet:
    """What a sheet names, or why it cannot be read."""
    try:
        table = parse_toml(data.decode("utf-8-sig"), name)
    except UnicodeDecodeError as error:
        return _unreadable(name, f"is not UTF-8 text: byte {error.start} cannot be read")
    if isinstance(table, SheetFault):
        return _unreadable(name, table.problem)
    run = table.get("run")
    stated = run.get("recording") if isinstance(run, dict) else None
    recordings = [stated] if isinstance(stated, str) else stated
    texts = tuple(dict.fromkeys(_texts(table)))
    if not isinstance(recordings, list):
        return Sheet(texts, (), None)
    return Sheet(texts, tuple(one for one in recordings if isinstance(one, str)), None)


def _unreadable(name: str, problem: str) -> Sheet:
    return Sheet((), (), fault_of(name, "", problem))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner)


def sheets_of(tree: Iterable[str]) -> list[str]:
    """The campaign's own sheet, then those of its runs by number."""
    runs = [name for name in tree if PurePosixPath(name).match("runs/*.toml")]
    here = [name for name in runs if name.count("/") == 1]
    return [CAMPAIGN_FILE, *sorted(here, key=natural_order)]


def group_of(
    sheet: str,
    tree: Mapping[str, Stamp],
    stored: Iterable[str],
    read: Callable[[str], Sheet | None],
) -> Group | None:
    """What belongs to a sheet; None while one of the sheets in it is still being written.

    Parameters
    ----------
    stored : names of the campaign's files in the catalogue: a logger's disk may be cleared
    read : the sheet of a name; None where it has not settled
    """
    names: dict[str, None] = {sheet: None}
    missing: dict[str, None] = {}
    known = set(stored)
    waiting = [sheet]
    while waiting:
        name = waiting.pop()
        found = read(name)
        if found is None:
            return None
        if found.fault is not None:
            return Group(sheet, tuple(names), (), found.fault)
        for text in found.texts:
            named = _beside(name, text)
            if named is None or named in names:
                continue
            if named in tree and can_be_kept(named):
                names[named] = None
                if named.endswith(".toml"):
                    waiting.append(named)
            elif text in found.recordings and named not in known:
                missing[named] = None
    return Group(sheet, tuple(names), tuple(missing), None)


def _beside(sheet: str, text: str) -> str | None:
    try:
        return name_beside(sheet, text)
    except BadNameError:
        return None  # the inspection says what is wrong with it
