"""The planned campaign as a folder of sheets to fill in."""

from __future__ import annotations

import os
import shutil
import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from buffet.errors import OutputError
from buffet.planning.order import PlannedRun
from buffet.planning.plan import Plan
from buffet.planning.sheet_template import FILL_IN, remarks, run_sheet, template_run
from buffet.planning.toml_text import toml_text
from ingest import Campaign

CAMPAIGN_FILE = "campaign.toml"
HEAD = (
    "Planned by `buffet plan`; runs are numbered in the order in which to make them.",
    f'What says "{FILL_IN}" is to be filled in: `buffet check` on this folder lists it, and a',
    "recording goes to recordings/ under the name its sheet gives. To look at a part of the",
    "campaign, keep the sheets of runs still to come outside of runs/. Channels are alike in all",
    "sheets: what is filled in of one holds for the others.",
)
# Files that seats of a vehicle sheet name.
SEAT_FILES = ("transfer", "transfer_x", "transfer_y")


def require_new_folder(folder: Path) -> None:
    """Refuse before anything is worked out.

    Raises
    ------
    OutputError
        The folder holds something, is none, or has no parent.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a new folder for the run sheets")
    if folder.is_dir() and any(folder.iterdir()):
        raise OutputError(
            f"{folder} is not empty; name a new or empty folder for the run sheets, nothing was "
            "written"
        )
    if not folder.absolute().parent.is_dir():
        raise OutputError(f"{folder}: there is no folder {folder.parent}; make it first")


def write_sheets(plan: Plan, folder: Path, campaign: Campaign | None = None) -> None:
    """Write campaign.toml, a sheet a planned run, and what an earlier campaign's sheets name.

    All of it or nothing: into a folder beside it that is then renamed.

    Raises
    ------
    OutputError
        The folder is not empty, or cannot be written.
    """
    require_new_folder(folder)
    target = folder.absolute()
    try:
        made = Path(tempfile.mkdtemp(prefix=".buffet-", dir=target.parent))
    except OSError as error:
        raise _unwritable(folder, error) from error
    try:
        _write(plan, made, campaign)
        mask = os.umask(0)
        os.umask(mask)
        made.chmod(0o777 & ~mask)
        made.replace(target)
    except OSError as error:
        raise _unwritable(folder, error) from error
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _unwritable(folder: Path, error: OSError) -> OutputError:
    return OutputError(f"{folder}: cannot be written ({error.strerror}); choose another place")


def _write(plan: Plan, folder: Path, campaign: Campaign | None) -> None:
    for part in ("runs", "recordings"):
        (folder / part).mkdir()
    table = _campaign_table(plan, campaign)
    _write_text(folder / CAMPAIGN_FILE, toml_text(table, HEAD))
    for run in plan.runs:
        sheet = run_sheet(plan, run, campaign)
        text = toml_text(sheet, _head(plan, run), remarks(plan, run))
        _write_text(folder / "runs" / f"{run.number}.toml", text)
    if campaign is not None:
        for file in named_files(plan, campaign):
            (folder / file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(campaign.folder / file, folder / file)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _head(plan: Plan, run: PlannedRun) -> list[str]:
    wind = f"{run.speed_m_s:.4g} m/s" if run.wind_on else "wind off"
    sampling = plan.sampling
    return [
        f"Run {run.number}: {run.configuration}, {wind}, {run.record_s:.0f} s at "
        f"{sampling.rate_hz:.6g} Hz, filter {sampling.cutoff_hz:.4g} Hz."
    ]


def _campaign_table(plan: Plan, campaign: Campaign | None) -> dict[str, Any]:
    names = plan.configurations
    if campaign is not None:
        table = _read(campaign.folder / CAMPAIGN_FILE)
        own = table["campaign"]
        own["title"] = f"After: {own['title']}"
        if own.get("baseline") not in names:
            own["baseline"] = names[0]
        return table
    premises = plan.premises
    return {
        "format": 1,
        "campaign": {
            "title": f"Planned campaign, {100 * premises['scale']:.3g} % model",
            "baseline": names[0],
        },
        "model": {
            "scale": premises["scale"],
            "frontal_area": FILL_IN,
            "wheelbase": FILL_IN,
            "strouhal_length": f"{premises['strouhal_length_m']:.6g} m",
        },
    }


def _read(path: Path) -> dict[str, Any]:
    """A sheet that was found valid before."""
    return tomllib.loads(path.read_bytes().decode("utf-8-sig"))


def named_files(plan: Plan, campaign: Campaign) -> tuple[Path, ...]:
    """What the carried sheets name, relative to the campaign's folder."""
    sheet = campaign.folder / CAMPAIGN_FILE
    own = _read(sheet)
    found: dict[Path, None] = {}

    def add(beside: Path, text: str) -> Path:
        path = (beside.parent / text).resolve()
        found[path.relative_to(campaign.folder.resolve())] = None
        return path

    if "vehicle" in own:
        vehicle = add(sheet, own["vehicle"]["file"])
        seat = _read(vehicle).get("seat", {})
        for key in SEAT_FILES:
            if key in seat:
                add(vehicle, seat[key])
    if "balance" in own:
        add(sheet, own["balance"]["file"])
    for run in {template_run(campaign, one).number: one for one in plan.runs}.values():
        earlier = template_run(campaign, run)
        for text in _named_in_run(earlier.stated):
            add(earlier.sheet, text)
    return tuple(found)


def _named_in_run(stated: Any) -> Iterator[str]:
    if "balance" in stated:
        yield stated["balance"]["file"]
    for channel in stated["channel"]:
        tubing = channel.get("tubing", ())
        for piece in [tubing] if isinstance(tubing, dict) else tubing:
            if "response" in piece:
                yield piece["response"]
