"""Writes the invented campaign: sheets, recordings and the truth behind them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from buffet.demo.logger import make_run, write_recording
from buffet.demo.schedule import DEFAULT_SEED, DemoSettings, PlannedRun, plan_runs
from buffet.demo.sheets import CAMPAIGN, VEHICLE, run_sheet
from buffet.demo.statement import FORMAT, run_statement, truth_statement
from buffet.errors import OutputError

TRUTH_FILE = "truth.json"


def write_demo(
    folder: Path, seed: int = DEFAULT_SEED, settings: DemoSettings | None = None
) -> None:
    """Write the invented campaign into a new or empty folder, or afresh over an earlier one.

    The same seed and settings give the same bytes.

    Raises
    ------
    OutputError
        The folder holds something that is not an earlier demo, or cannot be written.
    """
    settings = settings or DemoSettings()
    _refuse_foreign_folder(folder)
    try:
        _write(folder, seed, settings)
    except OSError as error:
        raise OutputError(
            f"{folder}: the demo campaign cannot be written there ({error.strerror}); "
            "name a folder that you may write to"
        ) from error


def _refuse_foreign_folder(folder: Path) -> None:
    """Never write over somebody's own campaign."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder for the demo campaign")
    if any(folder.iterdir()) and not _is_demo(folder):
        raise OutputError(
            f"{folder} is not empty and holds no earlier demo campaign ({TRUTH_FILE}); "
            "name a new or empty folder, nothing was written"
        )


def _is_demo(folder: Path) -> bool:
    try:
        truth = json.loads((folder / TRUTH_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(truth, dict) and truth.get("format") == FORMAT


def _write(folder: Path, seed: int, settings: DemoSettings) -> None:
    for part in ("runs", "recordings"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    _write_text(folder / "campaign.toml", CAMPAIGN)
    _write_text(folder / "vehicle.toml", VEHICLE)
    runs = {
        plan.number: _write_run(folder, plan, seed, settings) for plan in plan_runs(settings, seed)
    }
    statement = truth_statement(seed, settings, runs)
    _write_text(folder / TRUTH_FILE, json.dumps(statement, indent=1, allow_nan=False) + "\n")


def _write_run(folder: Path, plan: PlannedRun, seed: int, settings: DemoSettings) -> dict[str, Any]:
    """Write a run's sheet and recording; return its truth."""
    made = make_run(plan, settings.sample_rate_hz, seed)
    sheet = run_sheet(plan, settings.sample_rate_hz)
    _write_text(folder / "runs" / f"{plan.number}.toml", sheet)
    write_recording(folder / "recordings" / f"{plan.number}.csv.gz", made)
    return run_statement(made)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")
