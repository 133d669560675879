"""The command that writes the invented example: `demo`."""

from __future__ import annotations

from pathlib import Path

import click

from buffet.commands.running import told


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--seed", type=int, default=None, help="Another seed gives other noise.")
@told
def demo(folder: Path, seed: int | None) -> None:
    """Write the invented example campaign, with its truth."""
    from buffet.demo import DEFAULT_SEED, write_demo

    write_demo(folder, DEFAULT_SEED if seed is None else seed)
    click.echo(f'wrote {folder}; next: buffet rate {folder} --speed "130 km/h"', err=True)
