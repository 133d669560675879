"""The command line: the group that all commands belong to."""

from __future__ import annotations

import io
import sys

import click

from buffet.commands.backing_up import backup, restore
from buffet.commands.car import car
from buffet.commands.checking import check
from buffet.commands.example import demo
from buffet.commands.exporting import export
from buffet.commands.planning import plan
from buffet.commands.recordings import spectra
from buffet.commands.rig import calibrate, resonance
from buffet.commands.schemas import schema
from buffet.commands.serving import serve
from buffet.commands.sweeping import sweep
from buffet.commands.tokens import token
from buffet.commands.verdicts import compare, rate, report, table


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(package_name="buffeting", prog_name="buffet")
def main() -> None:
    """Which add-on buffets, from what road speed on, and what the fix costs.

    CAMPAIGN is a folder with campaign.toml, run sheets and recordings;
    `buffet demo FOLDER` writes an example.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without the sign for "m²"


COMMANDS = (
    check,
    spectra,
    sweep,
    rate,
    table,
    compare,
    report,
    export,
    calibrate,
    resonance,
    car,
    plan,
    token,
    schema,
    serve,
    backup,
    restore,
    demo,
)
for command in COMMANDS:
    main.add_command(command)
