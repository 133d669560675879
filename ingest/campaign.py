"""A campaign folder: campaign.toml, run sheets and the vehicle, checked as a whole."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ingest.balance_use import Balances
from ingest.campaign_checks import SheetsRead, cross_faults
from ingest.errors import NoCampaignError, SheetError, SheetFault, UnknownRunError
from ingest.inertia import with_inertia
from ingest.model import Model, TestSection
from ingest.paths import PathFault, is_inside, named_file
from ingest.provenance import SourceFile
from ingest.record import Run
from ingest.rig import CorrectionBounds
from ingest.run_sheet import run_from_sheet
from ingest.sheet_faults import nearest, read_toml, validate
from ingest.sheet_files import sheet_files
from ingest.sheet_models import CampaignSheet
from ingest.sheet_values import point
from ingest.unfinished import sort_waiting
from ingest.vehicle import Vehicle
from ingest.vehicle_sheet import vehicle_from_sheet

CAMPAIGN_FILE = "campaign.toml"


@dataclass(frozen=True)
class Campaign:
    """Everything the sheets of one folder state; recordings are opened run by run."""

    folder: Path
    title: str
    baseline: str | None
    model: Model | None
    test_section: TestSection | None
    vehicle: Vehicle | None
    runs: tuple[Run, ...]  # by number, "9" before "10"
    files: tuple[SourceFile, ...] = ()  # all sheets, and the small files that they name
    # Of a campaign still under way: runs left out of `runs` until what they name is there, and
    # what is not there yet.
    waiting_runs: tuple[Run, ...] = ()
    waiting: tuple[SheetFault, ...] = ()

    @property
    def wind_on(self) -> tuple[Run, ...]:
        """Runs with wind."""
        return tuple(run for run in self.runs if run.kind == "wind-on")

    @property
    def wind_off(self) -> tuple[Run, ...]:
        """Runs without wind: zeros and noise."""
        return tuple(run for run in self.runs if run.kind == "wind-off")

    @property
    def configurations(self) -> tuple[str, ...]:
        """Names in the order of their first wind-on run, the baseline first."""
        names = dict.fromkeys(run.configuration for run in self.wind_on if run.configuration)
        first = [self.baseline] if self.baseline else []
        return tuple(dict.fromkeys((*first, *names)))

    def run(self, number: str) -> Run:
        """The run with this number.

        Raises UnknownRunError where there is none.
        """
        for run in self.runs:
            if run.number == number:
                return run
        remark = nearest(number, [run.number for run in self.runs])
        raise UnknownRunError(f"{self.folder} has no run {number!r}{remark}")


def open_campaign(folder: str | Path, *, unfinished: bool = False, cache: bool = False) -> Campaign:
    """Read and check every sheet of a campaign folder; no recording is opened.

    With `unfinished`, while the tunnel still runs: what names a run that is not there yet is no
    error. Runs that wait for another are left out, a baseline that no run has is None, and
    `waiting` says what waits for what.

    With `cache` recordings are kept in `.buffet-cache` of the folder as they were read, and read
    from there the next time, unless they have changed. Where that may not be written, what is
    there is used.

    Raises NoCampaignError where the folder is none, SheetError with all faults of all sheets, and
    CacheError where recordings cannot be kept.
    """
    folder = Path(folder)
    if not (folder / CAMPAIGN_FILE).is_file():
        raise NoCampaignError(folder)
    sheet, sheet_faults = _campaign_sheet(folder)
    vehicle, vehicle_faults = _vehicle(folder, sheet)
    bounds = sheet.corrections.over(CorrectionBounds()) if sheet else CorrectionBounds()
    tables, runs, run_faults = _runs(folder, bounds)
    runs, balance_faults = _with_balances(folder, sheet, tables, runs)
    read = _sheets_read(folder, sheet, vehicle, tables, runs)
    faults = [*sheet_faults, *vehicle_faults, *run_faults, *balance_faults, *cross_faults(read)]
    waits = [fault for fault in faults if fault.waits and unfinished]
    faults = [fault for fault in faults if fault not in waits]
    if faults or sheet is None:
        raise SheetError(folder, faults)
    runs = [_completed(run, sheet, read.model) for run in runs]
    runs.sort(key=lambda run: natural_order(run.number))
    whole = Campaign(
        folder=folder,
        title=sheet.campaign.title,
        baseline=read.baseline,
        model=read.model,
        test_section=read.test_section,
        vehicle=vehicle,
        runs=tuple(runs),
        files=sheet_files(folder, CAMPAIGN_FILE, tables),
    )
    whole = _under_way(whole, waits) if unfinished else whole
    return with_cache(whole) if cache else whole


def with_cache(campaign: Campaign) -> Campaign:
    """The same, whose recordings are kept as they are read.

    What is kept there and none of its runs asks for goes. Raises CacheError.
    """
    from ingest.cache_folder import cache_folder, let_go_of_unasked
    from ingest.cache_keys import asked_by

    folder, fills = cache_folder(campaign.folder)
    if fills:
        every = (*campaign.runs, *campaign.waiting_runs)
        let_go_of_unasked(folder, (asked_by(run, folder) for run in every))
    runs, waiting = (
        tuple(replace(run, cache=folder, fills_cache=fills) for run in some)
        for some in (campaign.runs, campaign.waiting_runs)
    )
    return replace(campaign, runs=runs, waiting_runs=waiting)


def _completed(run: Run, sheet: CampaignSheet, model: Model | None) -> Run:
    """With what the campaign's own sheet states for all runs."""
    return replace(
        run,
        rotation=run.rotation.completed_by(sheet.rotation),
        channels=with_inertia(run.channels, model),
    )


def _under_way(campaign: Campaign, waits: list[SheetFault]) -> Campaign:
    """Without what waits for a run that is not there yet."""
    folder = campaign.folder
    shown = [(run.sheet.relative_to(folder).as_posix(), run) for run in campaign.runs]
    found = sort_waiting(shown, campaign.baseline, waits)
    return replace(
        campaign,
        baseline=found.baseline,
        runs=found.ready,
        waiting_runs=found.waiting,
        waiting=found.faults,
    )


def _campaign_sheet(folder: Path) -> tuple[CampaignSheet | None, list[SheetFault]]:
    table, faults = _checked_toml(folder, folder / CAMPAIGN_FILE)
    return (None, faults) if table is None else validate(CampaignSheet, table, CAMPAIGN_FILE)


def _sheets_read(
    folder: Path,
    sheet: CampaignSheet | None,
    vehicle: Vehicle | None,
    tables: dict[str, dict[str, Any]],
    runs: list[Run],
) -> SheetsRead:
    return SheetsRead(
        runs=tables,
        baseline=sheet.campaign.baseline if sheet else None,
        model=_model(sheet),
        test_section=_test_section(sheet),
        vehicle=vehicle,
        vehicle_file=sheet.vehicle.file if sheet and sheet.vehicle else None,
        loads={
            run.sheet.relative_to(folder).as_posix(): frozenset(c.measures for c in run.channels)
            for run in runs
        },
    )


def natural_order(text: str) -> tuple[str | int, ...]:
    """Sort key that puts "9" before "10" and "014b" after "014"."""
    parts = re.split(r"(\d+)", text)
    return tuple(int(part) if i % 2 else part for i, part in enumerate(parts))


def _checked_toml(folder: Path, path: Path) -> tuple[dict[str, Any] | None, list[SheetFault]]:
    shown = path.relative_to(folder).as_posix()
    if not is_inside(folder, path):
        return None, [SheetFault(shown, "", "is a link out of the campaign folder")]
    table = read_toml(path, shown)
    return (None, [table]) if isinstance(table, SheetFault) else (table, [])


def _runs(
    folder: Path, bounds: CorrectionBounds
) -> tuple[dict[str, dict[str, Any]], list[Run], list[SheetFault]]:
    """Tables of all readable run sheets by file, the runs among them, and all faults."""
    tables: dict[str, dict[str, Any]] = {}
    runs: list[Run] = []
    faults: list[SheetFault] = []
    for path in sorted(folder.glob("runs/*.toml"), key=lambda path: natural_order(path.name)):
        table, found = _checked_toml(folder, path)
        faults += found
        if table is None:
            continue
        tables[path.relative_to(folder).as_posix()] = table
        run, found = run_from_sheet(folder, path, table, bounds)
        faults += found
        runs += [run] if run else []
    return tables, runs, faults


def _with_balances(
    folder: Path, sheet: CampaignSheet | None, tables: dict[str, dict[str, Any]], runs: list[Run]
) -> tuple[list[Run], list[SheetFault]]:
    """The runs with loads in place of bridges, and what is wrong with balance files."""
    default = sheet.balance.file if sheet and sheet.balance else None
    balances = Balances(folder, CAMPAIGN_FILE, default)
    balances.read_named(tables)
    return [balances.used_on(run) for run in runs], balances.faults


def _vehicle(folder: Path, sheet: CampaignSheet | None) -> tuple[Vehicle | None, list[SheetFault]]:
    if sheet is None or sheet.vehicle is None:
        return None, []
    shown = sheet.vehicle.file
    try:
        path = named_file(folder, folder / CAMPAIGN_FILE, shown)
    except PathFault as error:
        return None, [SheetFault(CAMPAIGN_FILE, "vehicle.file", str(error))]
    table = read_toml(path, shown)
    if isinstance(table, SheetFault):
        return None, [table]
    return vehicle_from_sheet(table, shown, path, folder)


def _model(sheet: CampaignSheet | None) -> Model | None:
    stated = sheet.model if sheet else None
    if stated is None:
        return None
    return Model(
        scale=stated.scale,
        frontal_area_m2=stated.frontal_area,
        wheelbase_m=stated.wheelbase,
        strouhal_length_m=stated.strouhal_length,
        strouhal_length_is=stated.strouhal_length_is,
        mass_kg=stated.mass,
        centre_of_gravity_m=point(stated.centre_of_gravity),
        inertia_kg_m2=(stated.roll_inertia, stated.pitch_inertia, stated.yaw_inertia),
        cabin_volume_m3=stated.cabin_volume,
    )


def _test_section(sheet: CampaignSheet | None) -> TestSection | None:
    stated = sheet.test_section if sheet else None
    if stated is None:
        return None
    return TestSection(stated.kind, stated.area, stated.blockage, stated.blockage_factor)
