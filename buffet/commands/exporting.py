"""The command that hands samples on: `export`."""

from __future__ import annotations

from pathlib import Path

import click

from buffet.commands.running import done, opened, progress, told
from buffet.options import CAMPAIGN, Place, output_option


@click.command()
@CAMPAIGN
@click.option("--run", "number", required=True, help="The run's number.")
@click.option(
    "--correct-tubing",
    "at_taps",
    is_flag=True,
    help="Pressures as at the taps: the stated tubing's response taken out.",
)
@output_option(".h5, .parquet, .csv, .mat", required=True)
@told
def export(campaign: Place, number: str, at_taps: bool, output: Path) -> None:
    """Write a run's calibrated samples, in SI, for other programs."""
    from buffet.exporting.export import Export
    from buffet.writing import write

    source = opened(campaign, output)
    exported = Export(source, source.run(number), progress, at_taps=at_taps)
    write(output, exported.writers())
    done()
    click.echo(f"{exported.done} written to {output}", err=True)
