"""Faults that only show when the sheets of a campaign are seen together.

The rules look at the sheets' own tables, so that a sheet at fault elsewhere is still checked here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingest.air import DENSEST_AIR_KG_M3
from ingest.errors import QuantityError, SheetFault
from ingest.model import Model, TestSection
from ingest.sheet_faults import nearest
from ingest.stated_air import implausible_air
from ingest.units import Dimension, parse_quantity
from ingest.vehicle import Vehicle

WHEELBASE_TOLERANCE = 0.01  # of model wheelbase over scale; the campaign's own contract

_WIND: tuple[tuple[str, Dimension], ...] = (("speed", "speed"), ("dynamic_pressure", "pressure"))
_WIND_CHANNELS = {"air speed", "dynamic pressure"}


@dataclass(frozen=True)
class SheetsRead:
    """All sheets of a campaign, as far as they could be read."""

    runs: Mapping[str, Mapping[str, Any]]  # run sheets by file, their tables unchecked
    baseline: str | None
    model: Model | None
    test_section: TestSection | None
    vehicle: Vehicle | None
    vehicle_file: str | None
    loads: Mapping[str, frozenset[str]]  # by file, what comes out of a run without faults

    def entry(self, shown: str, table: str, key: str) -> Any:
        """One key of one run sheet; None where there is none."""
        found = self.runs[shown].get(table)
        return found.get(key) if isinstance(found, dict) else None

    def quantity(self, shown: str, table: str, key: str, dimension: Dimension) -> float | None:
        """One quantity of a run sheet in SI; None where there is none or it cannot be read."""
        given = self.entry(shown, table, key)
        try:
            return None if given is None else parse_quantity(given, dimension)
        except QuantityError:
            return None

    def measured(self, shown: str) -> set[str]:
        """What the channels of a run sheet measure, and the loads of its balance."""
        found = self.runs[shown].get("channel")
        channels = found if isinstance(found, list) else []
        words = [c.get("measures") for c in channels if isinstance(c, dict)]
        return {word for word in words if isinstance(word, str)} | self.loads.get(
            shown, frozenset()
        )

    def kinds(self) -> dict[Any, Any]:
        """Kind of run by run number."""
        return {
            self.entry(shown, "run", "number"): self.entry(shown, "run", "kind")
            for shown in self.runs
            if isinstance(self.entry(shown, "run", "number"), str)
        }

    def tapped(self) -> set[str]:
        """Numbers of the runs in which the model was struck."""
        return {
            str(self.entry(shown, "run", "number"))
            for shown in self.runs
            if self.entry(shown, "run", "excitation") == "tap"
        }


def cross_faults(sheets: SheetsRead) -> list[SheetFault]:
    """Every fault that the sheets show together."""
    faults = [
        fault for rule in _RUN_RULES for shown in sheets.runs for fault in rule(sheets, shown)
    ]
    return faults + [fault for rule in _CAMPAIGN_RULES for fault in rule(sheets)]


def _zeros_are_wind_off_runs(sheets: SheetsRead, shown: str) -> Iterator[SheetFault]:
    kinds = sheets.kinds()
    for key in ("zero_before", "zero_after"):
        number = sheets.entry(shown, "run", key)
        if not isinstance(number, str):
            continue
        if number == sheets.entry(shown, "run", "number"):
            yield SheetFault(shown, f"run.{key}", f"run {number!r} cannot be its own zero")
        elif number not in kinds:
            problem = f"no run {number!r}{nearest(number, _wind_off(kinds))}"
            yield SheetFault(shown, f"run.{key}", problem, waits=True)
        elif kinds[number] != "wind-off":
            yield SheetFault(shown, f"run.{key}", f"run {number!r} is not a wind-off run")
        elif number in sheets.tapped():
            problem = f"run {number!r} is a tap test (its excitation), which gives no zero"
            yield SheetFault(shown, f"run.{key}", problem)


def _wind_off(kinds: Mapping[Any, Any]) -> list[str]:
    return [number for number, kind in kinds.items() if kind == "wind-off"]


def _wind_fits_the_kind(sheets: SheetsRead, shown: str) -> Iterator[SheetFault]:
    kind = sheets.entry(shown, "run", "kind")
    for key, dimension in _WIND:
        value = sheets.quantity(shown, "air", key, dimension)
        given = sheets.entry(shown, "air", key)
        if value is not None and kind == "wind-on" and value <= 0.0:
            problem = f"must be above zero on a wind-on run, got {given!r}"
            yield SheetFault(shown, f"air.{key}", problem)
        if value is not None and kind == "wind-off" and value != 0.0:
            problem = f"a wind-off run has no wind, got {given!r}; remove it"
            yield SheetFault(shown, f"air.{key}", problem)


def _coefficients_have_wind(sheets: SheetsRead, shown: str) -> Iterator[SheetFault]:
    if sheets.model is None or sheets.entry(shown, "run", "kind") != "wind-on":
        return
    stated = any(sheets.entry(shown, "air", key) is not None for key, _ in _WIND)
    if not stated and not sheets.measured(shown) & _WIND_CHANNELS:
        problem = (
            "coefficients need the wind: state speed or dynamic_pressure, "
            "or a channel that measures 'air speed' or 'dynamic pressure'"
        )
        yield SheetFault(shown, "air", problem)


def _maskell_has_drag(sheets: SheetsRead, shown: str) -> Iterator[SheetFault]:
    section = sheets.test_section
    is_wind_on = sheets.entry(shown, "run", "kind") == "wind-on"
    if section is None or section.blockage != "maskell" or not is_wind_on:
        return
    if "balance" not in sheets.runs[shown] and "drag" not in sheets.measured(shown):
        problem = (
            "blockage = 'maskell' in campaign.toml needs each run's own drag: state a channel that "
            "measures 'drag', or choose 'continuity'"
        )
        yield SheetFault(shown, "channel", problem)


def _other_fluids_state_viscosity(sheets: SheetsRead, shown: str) -> Iterator[SheetFault]:
    density = sheets.quantity(shown, "air", "density", "density")
    viscosity = sheets.entry(shown, "air", "viscosity")
    if density is not None and density > DENSEST_AIR_KG_M3 and viscosity is None:
        problem = f"is missing; a fluid of {density:g} kg/m^3 is not air, so state its viscosity"
        yield SheetFault(shown, "air.viscosity", problem)


def _air_can_be_air(sheets: SheetsRead, shown: str) -> Iterator[SheetFault]:
    air = sheets.runs[shown].get("air")
    for key, problem in implausible_air(air if isinstance(air, dict) else {}):
        yield SheetFault(shown, f"air.{key}", problem)


_RUN_RULES = (
    _zeros_are_wind_off_runs,
    _wind_fits_the_kind,
    _coefficients_have_wind,
    _maskell_has_drag,
    _other_fluids_state_viscosity,
    _air_can_be_air,
)


def _there_are_runs(sheets: SheetsRead) -> Iterator[SheetFault]:
    if not sheets.runs:
        problem = "no run sheets; wanted one runs/*.toml per recording"
        yield SheetFault("runs", "", problem, waits=True)


def _numbers_are_unique(sheets: SheetsRead) -> Iterator[SheetFault]:
    first: dict[str, str] = {}
    for shown in sheets.runs:
        number = sheets.entry(shown, "run", "number")
        if isinstance(number, str) and first.setdefault(number, shown) != shown:
            yield SheetFault(shown, "run.number", f"{number!r} is already used in {first[number]}")


def _baseline_is_a_configuration(sheets: SheetsRead) -> Iterator[SheetFault]:
    known = {
        str(sheets.entry(shown, "run", "configuration"))
        for shown in sheets.runs
        if sheets.entry(shown, "run", "kind") == "wind-on"
        and sheets.entry(shown, "run", "configuration")
    }
    if sheets.baseline is not None and known and sheets.baseline not in known:
        problem = f"no wind-on run has the configuration {sheets.baseline!r}"
        remark = nearest(sheets.baseline, sorted(known))
        yield SheetFault("campaign.toml", "campaign.baseline", problem + remark, waits=True)


def _times_compare(sheets: SheetsRead) -> Iterator[SheetFault]:
    started = {shown: sheets.entry(shown, "run", "started") for shown in sheets.runs}
    moments = {shown: at for shown, at in started.items() if isinstance(at, datetime)}
    if any(at.tzinfo for at in moments.values()):
        for shown, at in moments.items():
            if at.tzinfo is None:
                problem = f"has no time zone while other sheets state one, got {at.isoformat()}"
                yield SheetFault(shown, "run.started", problem)


def _model_fits_the_test_section(sheets: SheetsRead) -> Iterator[SheetFault]:
    model, section = sheets.model, sheets.test_section
    if model and section and section.area_m2 <= model.frontal_area_m2:
        problem = f"must exceed the model's frontal area of {model.frontal_area_m2:g} m^2"
        yield SheetFault(
            "campaign.toml", "test_section.area", f"{problem}, got {section.area_m2:g} m^2"
        )


def _correction_has_a_model(sheets: SheetsRead) -> Iterator[SheetFault]:
    section = sheets.test_section
    if section is not None and section.blockage != "none" and sheets.model is None:
        problem = f"{section.blockage!r} needs the model's frontal_area: state [model]"
        yield SheetFault("campaign.toml", "test_section.blockage", problem)


def _vehicle_is_the_model_full_scale(sheets: SheetsRead) -> Iterator[SheetFault]:
    model, vehicle = sheets.model, sheets.vehicle
    if model is None or vehicle is None:
        return
    problem = wheelbase_problem(vehicle.wheelbase_m, model.wheelbase_m / model.scale)
    if problem is not None:
        yield SheetFault(str(sheets.vehicle_file), "vehicle.wheelbase", problem)


def wheelbase_problem(wheelbase_m: float, wanted_m: float) -> str | None:
    """Why a car of this wheelbase is not the model at full scale, or None."""
    if abs(wheelbase_m / wanted_m - 1.0) <= WHEELBASE_TOLERANCE:
        return None
    return (
        f"must equal the model's wheelbase over its scale, {wanted_m:.3f} m, to 1 %; "
        f"got {wheelbase_m:.3f} m"
    )


_CAMPAIGN_RULES = (
    _there_are_runs,
    _numbers_are_unique,
    _baseline_is_a_configuration,
    _times_compare,
    _model_fits_the_test_section,
    _correction_has_a_model,
    _vehicle_is_the_model_full_scale,
)
