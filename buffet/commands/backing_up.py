"""The commands `backup` and `restore`."""

from __future__ import annotations

from pathlib import Path

import click

from buffet.commands.running import done, needs_service, progress, told
from buffet.commands.serving import DATABASE


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    help="Zip file; takes the place of an earlier one once it is whole.",
)
@DATABASE
@told
@needs_service
def backup(folder: Path, output: Path, database: str | None) -> None:
    """Write all of a service into one file, while it runs.

    FOLDER is the folder of `buffet serve`. The file holds campaigns, results, the audit log and the
    hashes of tokens, whichever database they stand in: keep it as safe as the folder.
    """
    from buffet.errors import OutputError
    from buffet.service.backup import back_up
    from buffet.service.errors import FolderError
    from buffet.service.settings import Places, ServiceSettings

    places = Places(folder)
    there = places.database if database is None else places.blobs
    if not there.exists():
        raise FolderError(f"{folder}: holds no service; name the folder of `buffet serve`")
    try:
        made = back_up(ServiceSettings(folder, database), output, progress)
    except OSError as error:
        raise OutputError(f"{output}: cannot be written: {error}") from error
    finally:
        done()
    told_of = f"{made.rows['campaigns']} campaigns, {len(made.blobs)} files"
    click.echo(f"{output}: {told_of}, {made.n_bytes / 1e6:.4g} MB", err=True)


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("folder", type=click.Path(path_type=Path))
@DATABASE
@told
@needs_service
def restore(file: Path, folder: Path, database: str | None) -> None:
    """Make a service from a backup, in a new folder.

    FILE is what `buffet backup` wrote. FOLDER, and the database where one is named, must be empty.
    A damaged file changes nothing.
    """
    from buffet.service.restore import restore as run
    from buffet.service.settings import ServiceSettings

    try:
        made = run(file, ServiceSettings(folder, database), progress)
    finally:
        done()
    when = f"of {made.made_at}: {made.rows['campaigns']} campaigns, {len(made.blobs)} files"
    click.echo(f"{folder}: restored {when}", err=True)
