"""The command `spectra`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from buffet.commands.running import done, exit_for, give, opened, progress, told
from buffet.commands.worker_options import on_workers
from buffet.options import (
    CAMPAIGN,
    JSON,
    SPEED,
    WITHOUT_LINES,
    WITHOUT_TUNNEL,
    LoadType,
    Place,
    Quantity,
    output_option,
    units_row_option,
)

if TYPE_CHECKING:
    from buffet.workers.choice import Workers

# The words of `spectra_parts`, which is not loaded for `--help` (a test holds them together).
WHAT = (
    "spectrum",
    "lines",
    "coherence",
    "taps",
    "wavelets",
    "switching",
    "extremes",
    "cabin",
    "length",
)


def _of_two(
    context: click.Context, option: click.Parameter, pairs: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """Refuse a quantity against itself, which is coherent whatever was measured."""
    for first, second in pairs:
        if first == second:
            raise click.BadParameter(f"got {first!r} twice; wanted two different quantities")
    return pairs


@click.command()
@CAMPAIGN
@click.option("--run", "number", help="One run's number; all runs without it.")
@click.option(
    "--what",
    type=click.Choice(WHAT),
    multiple=True,
    metavar="PART",
    help=f"Show this part alone; may be repeated: {', '.join(WHAT)}.",
)
@click.option(
    "--resolution",
    type=Quantity("frequency", "0.5 Hz"),
    metavar="FREQUENCY",
    help='Distance of the bins, e.g. "0.5 Hz"; chosen for the peaks without it.',
)
@click.option(
    "--speed",
    type=SPEED,
    metavar="SPEED",
    help="Road speed: bands in road hertz, times and loads on the road.",
)
@click.option(
    "--pair",
    "pairs",
    type=(str, str),
    multiple=True,
    callback=_of_two,
    metavar="NAME NAME",
    help="Coherence, phase and gain of these two in full.",
)
@click.option(
    "--driving-time",
    type=Quantity("time", "10 min"),
    default="10 min",
    show_default=True,
    metavar="TIME",
    help="In which the worst value is expected.",
)
@click.option(
    "--load",
    "loads",
    type=(str, LoadType()),
    multiple=True,
    metavar="NAME LOAD",
    help='Probability of exceeding it in that time, e.g. "rear lift" "400 N".',
)
@click.option(
    "--within",
    type=Quantity("ratio", "5 %", highest="99 %"),
    default="5 %",
    show_default=True,
    metavar="SHARE",
    help="Half-width for which the record length needed is given.",
)
@WITHOUT_TUNNEL
@WITHOUT_LINES
@on_workers
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def spectra(
    campaign: Place,
    number: str | None,
    what: tuple[str, ...],
    resolution: float | None,
    speed: float | None,
    pairs: tuple[tuple[str, str], ...],
    driving_time: float,
    loads: tuple[tuple[str, tuple[float, str]], ...],
    within: float,
    without_tunnel: bool,
    without_lines: bool,
    workers: Workers,
    as_json: bool,
    output: Path | None,
    units_row: bool,
) -> None:
    """PSD, peaks, RMS and what else is in the fluctuations of runs."""
    from buffet.parts import Load, PartSettings
    from buffet.recipes import SpectraRecipe
    from buffet.spectra_outputs import spectra_document, spectra_text, spectra_writers

    source = opened(campaign, output)
    wanted = tuple(Load(name, value, unit) for name, (value, unit) in loads)
    parts = PartSettings(speed, driving_time, within, pairs, wanted)
    recipe = SpectraRecipe(number, what, resolution, parts, without_tunnel, without_lines)
    analysis, told_runs = recipe.analysed(source, progress, workers)
    done()
    give(
        output,
        as_json,
        lambda: spectra_writers(analysis, told_runs, what),
        lambda: spectra_document(analysis, told_runs),
        lambda: spectra_text(told_runs, what),
        units_row=units_row,
    )
    exit_for(analysis.failed)
