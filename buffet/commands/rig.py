"""Commands on the rig itself: `calibrate` and `resonance`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from buffet.commands.running import done, exit_for, give, opened, progress, say, told
from buffet.options import CAMPAIGN, JSON, Place, output_option, plot_option, units_row_option

if TYPE_CHECKING:
    from buffet.resonance.estimate import AskedKind


@click.command()
@click.argument("loadings", type=click.Path(path_type=Path))
@click.option(
    "--bridges", metavar="NAMES", help="The bridges' columns, e.g. b1,b2; all others without it."
)
@click.option(
    "--form",
    type=click.Choice(["iterative", "direct"]),
    default="iterative",
    show_default=True,
    help="Fit bridges by loads and iterate, or loads by bridges.",
)
@click.option(
    "--terms",
    type=click.Choice(["linear", "squares", "products", "absolute", "all"]),
    help="Each holds those before it; up to products, as the loadings carry, without it.",
)
@click.option(
    "--reference-point",
    nargs=3,
    default=("0 m", "0 m", "0 m"),
    metavar="X Y Z",
    help='Where the moments are taken about, e.g. "0 m" "0 m" "0.15 m".',
)
@plot_option("the residuals")
@JSON
@output_option(".toml")
@told
def calibrate(
    loadings: Path,
    bridges: str | None,
    form: str,
    terms: str | None,
    reference_point: tuple[str, str, str],
    plot: Path | None,
    as_json: bool,
    output: Path | None,
) -> None:
    """Fit a balance's matrix to a table of loadings.

    LOADINGS is delimited text, one row a loading: columns named like loads with their units, e.g.
    "lift (N)", columns of bridges, e.g. "b1 (mV/V)", and, where readings have zeros of their own,
    a column "series".
    """
    from buffet.calibrating.fit import CalibrationSettings
    from buffet.calibrating.fit import calibrate as fit_balance
    from buffet.calibrating.loadings import read_loadings
    from buffet.calibration_document import calibration_document
    from buffet.calibration_text import calibration_text
    from buffet.documents import dumps
    from buffet.report.calibration_figure import draw_residuals
    from buffet.writing import text_writer, write

    names = None if bridges is None else [name.strip() for name in bridges.split(",")]
    settings = CalibrationSettings(form, terms, reference_point)  # type: ignore[arg-type]
    calibration = fit_balance(read_loadings(loadings, names), settings)
    if plot is not None:
        draw_residuals(calibration, plot)
    if output is not None:
        write(output, {".toml": text_writer(calibration.text)})
    say(dumps(calibration_document(calibration)) if as_json else calibration_text(calibration))
    for written in (plot, output):
        if written is not None:
            click.echo(f"wrote {written}", err=True)


@click.command()
@CAMPAIGN
@click.option("--run", "number", help="One run's number; all wind-off runs without it.")
@click.option(
    "--kind",
    type=click.Choice(["auto", "tap", "wind-off"]),
    default="auto",
    show_default=True,
    help="Decays after strikes, or the record's spectrum.",
)
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def resonance(
    campaign: Place,
    number: str | None,
    kind: AskedKind,
    as_json: bool,
    output: Path | None,
    units_row: bool,
) -> None:
    """The balance's natural frequency and damping, by tap test or wind-off."""
    from buffet.outputs import resonance_writers
    from buffet.resonance.estimate import resonances
    from buffet.resonance_document import resonance_document
    from buffet.resonance_text import resonance_text

    found = resonances(opened(campaign, output), number, kind, progress)
    done()
    give(
        output,
        as_json,
        lambda: resonance_writers(found),
        lambda: resonance_document(found),
        lambda: resonance_text(found),
        units_row=units_row,
    )
    exit_for(found.failed)
