"""The command `car`."""

from __future__ import annotations

from pathlib import Path

import click

from buffet.commands.running import give, told
from buffet.options import JSON, SPEED, output_option, units_row_option


@click.command()
@click.argument("car", metavar="FILE|NAME")
@click.option(
    "--speed",
    type=SPEED,
    default="130 km/h",
    show_default=True,
    metavar="SPEED",
    help="Road speed of the modes and responses.",
)
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def car(car: str, speed: float, as_json: bool, output: Path | None, units_row: bool) -> None:
    """A car's modes, figures at rest and responses to the force.

    FILE is a vehicle.toml; NAME a typical car: small hatchback, saloon or van.
    """
    from buffet.cabin.open_cabin import open_cabin_figures
    from buffet.car_document import car_document
    from buffet.car_text import car_text
    from buffet.outputs import car_writers
    from buffet.vehicle import named_car, summary_of

    vehicle = named_car(car)
    summary, cabin = summary_of(vehicle, speed), open_cabin_figures(vehicle, speed)
    give(
        output,
        as_json,
        lambda: car_writers(summary, cabin),
        lambda: car_document(summary, cabin),
        lambda: car_text(summary, cabin),
        units_row=units_row,
    )
