"""A run sheet as a run: validated, its paths checked, its units converted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ingest.air import StatedAir
from ingest.channel import Channel
from ingest.channel_models import ChannelTable
from ingest.errors import SheetFault
from ingest.measured_response import MeasuredResponse, ResponseFault, read_response
from ingest.paths import PathFault, named_file
from ingest.record import Run
from ingest.recording import ClockOptions, FileOptions
from ingest.rig import CorrectionBounds
from ingest.sheet_faults import nearest, validate
from ingest.sheet_models import AirTable, FileTable, RunSheet
from ingest.sheet_values import one_or_more, point
from ingest.tubing import Tube
from ingest.units import parse_quantity


def run_from_sheet(
    folder: Path, sheet: Path, table: dict[str, Any], bounds: CorrectionBounds
) -> tuple[Run | None, list[SheetFault]]:
    """Turn one run sheet's table into a run, or list every fault it has.

    `bounds` are the campaign's, which hold where the sheet is silent.
    """
    shown = sheet.relative_to(folder).as_posix()
    model, faults = validate(RunSheet, table, shown)
    recordings = _recordings(folder, sheet, table, shown, faults)
    if model is None or recordings is None:
        return None, faults
    faults += sheet_faults(model, shown)
    tubing = _tubing(folder, sheet, model, faults)
    run = _run(folder, sheet, recordings, model, table)
    channels = tuple(replace(c, tubing=t) for c, t in zip(run.channels, tubing, strict=True))
    bounds = model.corrections.over(bounds)
    return replace(run, channels=channels, logged=channels, bounds=bounds), faults


def sheet_faults(model: RunSheet, shown: str) -> list[SheetFault]:
    """Channels that do not go together."""
    return [*_repeated_names(model, shown), *_rows(model, shown)]


def _tubing(
    folder: Path, sheet: Path, model: RunSheet, faults: list[SheetFault]
) -> Iterator[tuple[Tube, ...] | MeasuredResponse | None]:
    """Each channel's tubing; a response that cannot be read is a fault."""
    shown = sheet.relative_to(folder).as_posix()
    for index, channel in enumerate(model.channel):
        name = channel.tubing[0].response if channel.tubing else None
        if name is None:
            sizes = ((p.length, p.diameter, p.volume) for p in channel.tubing)
            yield (
                tuple(Tube(a, b, c) for a, b, c in sizes if a is not None and b is not None) or None
            )
            continue
        try:
            yield read_response(named_file(folder, sheet, name), name)
        except (PathFault, ResponseFault) as error:
            faults.append(SheetFault(shown, f"channel[{index}].tubing.response", str(error)))
            yield None


def _recordings(
    folder: Path, sheet: Path, table: dict[str, Any], shown: str, faults: list[SheetFault]
) -> tuple[Path, ...] | None:
    """The recording's files, checked even where the rest of the sheet is at fault."""
    run = table.get("run")
    given = one_or_more(run.get("recording") if isinstance(run, dict) else None)
    texts = given if isinstance(given, list) else []
    paths = []
    for index, text in enumerate(texts):
        if not isinstance(text, str) or not text:
            return None  # the model has said so
        key = f"run.recording[{index}]" if len(texts) > 1 else "run.recording"
        try:
            paths.append(named_file(folder, sheet, text))
        except PathFault as error:
            faults.append(SheetFault(shown, key, str(error)))
    for path in {path for path in paths if paths.count(path) > 1}:
        faults.append(SheetFault(shown, "run.recording", f"names {path.name!r} more than once"))
    return tuple(paths) if paths and len(set(paths)) == len(texts) else None


def _repeated_names(model: RunSheet, shown: str) -> list[SheetFault]:
    counts = Counter(channel.name for channel in model.channel)
    return [
        SheetFault(shown, "channel", f"{count} channels have the name {name!r}; wanted one each")
        for name, count in counts.items()
        if count > 1
    ]


def _rows(model: RunSheet, shown: str) -> Iterator[SheetFault]:
    """A row has two taps or more, each at a place of its own."""
    members: dict[str, list[int]] = {}
    for index, channel in enumerate(model.channel):
        if channel.row is not None:
            members.setdefault(channel.row, []).append(index)
    for name, own in members.items():
        if len(own) == 1:
            others = [other for other in members if other != name]
            close = nearest(name, others) if others else ""
            problem = f"{name!r} has a single tap; wanted two or more{close}"
            yield SheetFault(shown, f"channel[{own[0]}].row", problem)
        places: dict[tuple[float, ...], int] = {}
        for index in own:
            first = places.setdefault(tuple(model.channel[index].at or ()), index)
            if first != index:
                names = f"{model.channel[first].name!r} of the row {name!r}"
                problem = f"is the place of {names}; wanted each tap at its own"
                yield SheetFault(shown, f"channel[{index}].at", problem)


def _run(
    folder: Path, sheet: Path, recordings: tuple[Path, ...], model: RunSheet, table: dict[str, Any]
) -> Run:
    run = model.run
    stated = table["channel"]
    return Run(
        number=run.number,
        configuration=run.configuration,
        kind=run.kind,
        sheet=sheet,
        recordings=recordings,
        sources=tuple(path.relative_to(folder.resolve()).as_posix() for path in recordings),
        channels=tuple(map(_channel, model.channel, stated)),
        clock=_clock(model),
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
        gain_uncertainty=model.gain_uncertainty,
        natural_frequency_hz=model.natural_frequency,
        damping=model.damping,
        at_m=point(model.at),
        direction=model.direction,
        row=model.row,
        stated=stated,
    )


def _clock(model: RunSheet) -> ClockOptions:
    sampling = model.sampling
    return ClockOptions(
        rate_hz=sampling.rate if isinstance(sampling.rate, float) else None,
        rate_in_file=sampling.rate == "file",
        time_column=sampling.time_column,
        time_unit_s=parse_quantity(f"1 {sampling.time_unit}", "time"),
        time_format=sampling.time_format,
        from_s=sampling.start,
        to_s=sampling.to,
        column_rates_hz=tuple((c.column, c.rate) for c in model.channel if c.rate is not None),
        resample_to_hz=sampling.resample_to,
    )


def _file_options(model: FileTable) -> FileOptions:
    return FileOptions(**{**model.model_dump(), "missing": tuple(model.missing)})


def _air(model: AirTable) -> StatedAir:
    return StatedAir(
        speed_m_s=model.speed,
        dynamic_pressure_pa=model.dynamic_pressure,
        dynamic_pressure_uncertainty=model.dynamic_pressure_uncertainty,
        temperature_k=model.temperature,
        static_pressure_pa=model.static_pressure,
        relative_humidity=model.relative_humidity,
        density_kg_m3=model.density,
        viscosity_pa_s=model.viscosity,
    )
