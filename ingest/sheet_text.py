"""A run sheet checked as text, while it is written: no file that it names is looked at."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from ingest.campaign_checks import SheetsRead, cross_faults
from ingest.errors import SheetFault
from ingest.run_sheet import sheet_faults
from ingest.sheet_faults import parse_toml, validate
from ingest.sheet_models import RunSheet
from ingest.sheet_values import one_or_more

PathProblem = Callable[[str], str | None]


def run_sheet_faults(text: str, shown: str, path_problem: PathProblem) -> list[SheetFault]:
    """Every fault that a run sheet shows by itself.

    Parameters
    ----------
    text : the sheet
    shown : its name, for the faults
    path_problem : what is wrong with a path as the sheet spells it, or None
    """
    table = parse_toml(text, shown)
    if isinstance(table, SheetFault):
        return [table]
    model, faults = validate(RunSheet, table, shown)
    for key, path in _named(table):
        problem = path_problem(path)
        faults += [] if problem is None else [SheetFault(shown, key, problem)]
    if model is not None:
        faults += sheet_faults(model, shown)
    alone = SheetsRead({shown: table}, None, None, None, None, None, {})
    return faults + [fault for fault in cross_faults(alone) if not fault.waits]


def _named(table: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Key and text of every path in a run sheet, whatever else is wrong with it."""
    return ((key, text) for key, text in _stated(table) if isinstance(text, str) and text)


def _stated(table: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    recordings = _listed(_inner(table.get("run"), "recording"))
    for index, text in enumerate(recordings):
        yield ("run.recording" if len(recordings) == 1 else f"run.recording[{index}]"), text
    yield "balance.file", _inner(table.get("balance"), "file")
    for index, channel in enumerate(_listed(table.get("channel"))):
        for tube in _listed(_inner(channel, "tubing")):
            yield f"channel[{index}].tubing.response", _inner(tube, "response")


def _inner(table: Any, key: str) -> Any:
    return table.get(key) if isinstance(table, dict) else None


def _listed(given: Any) -> list[Any]:
    several = one_or_more(given)
    return several if isinstance(several, list) else []
