"""A run sheet as a run: validated, its paths checked, its units converted."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ingest.air import StatedAir
from ingest.channel import Channel
from ingest.errors import SheetFault
from ingest.paths import PathFault, named_file
from ingest.record import Run
from ingest.recording import ClockOptions, FileOptions
from ingest.sheet_faults import validate
from ingest.sheet_models import AirTable, ChannelTable, FileTable, RunSheet, SamplingTable
from ingest.sheet_values import point
from ingest.units import parse_quantity


def run_from_sheet(
    folder: Path, sheet: Path, table: dict[str, Any]
) -> tuple[Run | None, list[SheetFault]]:
    """Turn one run sheet's table into a run, or list every fault it has."""
    shown = sheet.relative_to(folder).as_posix()
    model, faults = validate(RunSheet, table, shown)
    recording = _recording(folder, sheet, table, shown, faults)
    if model is None or recording is None:
        return None, faults
    faults += _repeated_names(model, shown)
    return _run(folder, sheet, recording, model, table), faults


def _recording(
    folder: Path, sheet: Path, table: dict[str, Any], shown: str, faults: list[SheetFault]
) -> Path | None:
    """The recording's path, checked even where the rest of the sheet is at fault."""
    run = table.get("run")
    text = run.get("recording") if isinstance(run, dict) else None
    if not isinstance(text, str) or not text:
        return None  # the model has said so
    try:
        return named_file(folder, sheet, text)
    except PathFault as error:
        faults.append(SheetFault(shown, "run.recording", str(error)))
        return None


def _repeated_names(model: RunSheet, shown: str) -> list[SheetFault]:
    counts = Counter(channel.name for channel in model.channel)
    return [
        SheetFault(shown, "channel", f"{count} channels have the name {name!r}; wanted one each")
        for name, count in counts.items()
        if count > 1
    ]


def _run(folder: Path, sheet: Path, recording: Path, model: RunSheet, table: dict[str, Any]) -> Run:
    run = model.run
    stated = table["channel"]
    return Run(
        number=run.number,
        configuration=run.configuration,
        kind=run.kind,
        sheet=sheet,
        recording=recording,
        source=recording.relative_to(folder.resolve()).as_posix(),
        channels=tuple(map(_channel, model.channel, stated)),
        clock=_clock(model.sampling),
        file_options=_file_options(model.file),
        air=_air(model.air),
        antialias_cutoff_hz=model.sampling.antialias_cutoff,
        started=_in_utc(run.started),
        zero_before=run.zero_before,
        zero_after=run.zero_after,
        yaw_rad=run.yaw,
        rotation=model.rotation,
        excitation=run.excitation,
        note=run.note,
        stated=table,
    )


def _in_utc(moment: datetime | None) -> datetime | None:
    """A moment with a time zone; one written without is taken as UTC."""
    if moment is None:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def _channel(model: ChannelTable, stated: dict[str, Any]) -> Channel:
    line = model.line()
    return Channel(
        name=model.name,
        column=model.column,
        measures=model.measures,
        unit=line.unit,
        scale=line.scale,
        offset=line.offset,
        full_scale_raw=line.full_scale_raw,
        natural_frequency_hz=model.natural_frequency,
        damping=model.damping,
        at_m=point(model.at),
        direction=model.direction,
        tubing=tuple(model.tubing) or None,
        stated=stated,
    )


def _clock(model: SamplingTable) -> ClockOptions:
    return ClockOptions(
        rate_hz=model.rate,
        time_column=model.time_column,
        time_unit_s=parse_quantity(f"1 {model.time_unit}", "time"),
        time_format=model.time_format,
        from_s=model.start,
        to_s=model.to,
    )


def _file_options(model: FileTable) -> FileOptions:
    return FileOptions(**{**model.model_dump(), "missing": tuple(model.missing)})


def _air(model: AirTable) -> StatedAir:
    return StatedAir(
        speed_m_s=model.speed,
        dynamic_pressure_pa=model.dynamic_pressure,
        temperature_k=model.temperature,
        static_pressure_pa=model.static_pressure,
        relative_humidity=model.relative_humidity,
        density_kg_m3=model.density,
        viscosity_pa_s=model.viscosity,
    )
