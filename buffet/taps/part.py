"""The taps of one run: coefficients, modes, rows."""

from __future__ import annotations

from dataclasses import dataclass

from buffet.parts import Absent, PartSettings
from buffet.quantity_samples import held_in_samples
from buffet.run_analysis import NO_MATRIX, NO_WIND
from buffet.run_spectra import RunResult
from buffet.taps.coefficients import TapValues, tap_values
from buffet.taps.convection import BareRow, RowConvection, row_convection, row_names
from buffet.taps.modes import TapModes, tap_modes
from buffet.taps.tap_spectra import live_taps


@dataclass(frozen=True)
class RunTaps:
    """What the pressure taps of a run show together."""

    run: str
    duration_s: float
    values: tuple[TapValues, ...]
    dead: tuple[str, ...]  # taps that never changed
    modes: TapModes | None
    modes_why: str | None
    rows: tuple[RowConvection | BareRow, ...]
    holds_lines: bool  # in modes and rows, though the RMS is without them
    observed_hold: tuple[str, ...]  # in observed values, though the RMS is without it


def of_run(result: RunResult, settings: PartSettings) -> RunTaps | Absent:
    """Of a wind-on run with one live tap at least."""
    analysis = result.analysis
    if analysis.run.kind == "wind-off":
        return Absent(NO_WIND)
    if not any(q.measures == "pressure" for q in analysis.signal.quantities):
        return Absent("no channel measures a pressure")
    taps = live_taps(analysis)
    if not taps:
        return Absent("no tap ever changed")
    if analysis.spectra.packed is None:
        return Absent(NO_MATRIX)
    modes = tap_modes(result, taps)
    names = [analysis.signal.quantities[i].name for i in taps]
    return RunTaps(
        analysis.run.number,
        analysis.spectra.duration_s,
        tap_values(result, taps),
        tuple(
            q.name
            for q in analysis.signal.quantities
            if q.measures == "pressure" and q.name not in names
        ),
        modes if isinstance(modes, TapModes) else None,
        None if isinstance(modes, TapModes) else modes,
        tuple(row_convection(result, name, taps) for name in row_names(result)),
        analysis.with_lines is not None,
        held_in_samples(analysis),
    )
