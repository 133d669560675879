"""The command `serve`."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from buffet.commands.running import needs_service, told
from buffet.options import Quantity

DATABASE = click.option(
    "--database",
    metavar="ADDRESS",
    help="PostgreSQL instead of SQLite in FOLDER: postgresql+psycopg://…; its password stands in "
    "BUFFET_DATABASE_PASSWORD.",
)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8000, show_default=True, help="0: a free one."
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="HOST",
    help="Host name that browsers use; needed off this machine, may be repeated.",
)
@click.option("--tls-certificate", type=click.Path(path_type=Path), help="PEM file, for https.")
@click.option("--tls-key", type=click.Path(path_type=Path), help="PEM file of its key.")
@click.option("--proxy", metavar="ADDRESS", help="The proxy in front of it, which does TLS.")
@DATABASE
@click.option(
    "--workers", type=click.IntRange(1, 256), help="Processes that analyse; a core less than all."
)
@click.option(
    "--memory",
    type=click.FloatRange(0.5, 4096),
    default=8,
    show_default=True,
    metavar="GIB",
    help="Most that one of them may take.",
)
@click.option(
    "--job-time",
    type=Quantity("time", "6 h"),
    default="6 h",
    show_default=True,
    metavar="TIME",
    help="Longest that one analysis may take.",
)
@click.option(
    "--watch",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Take in campaigns below this folder as their runs are finished.",
)
@click.option(
    "--settle",
    type=Quantity("time", "5 s", highest="1 h"),
    default="5 s",
    show_default=True,
    metavar="TIME",
    help="A watched run is finished once its files have stayed the same for so long.",
)
@click.option(
    "--log",
    type=click.Choice(("json", "text")),
    help="Form of the log on stderr; text where that is a terminal, else JSON.",
)
@told
@needs_service
def serve(
    folder: Path,
    host: str,
    port: int,
    names: tuple[str, ...],
    tls_certificate: Path | None,
    tls_key: Path | None,
    proxy: str | None,
    database: str | None,
    workers: int | None,
    memory: float,
    job_time: float,
    watch: Path | None,
    settle: float,
    log: Literal["json", "text"] | None,
) -> None:
    """Serve a team's campaigns: web page and HTTP API.

    FOLDER holds the catalogue; it is made where it is not there. On this machine alone no further
    set-up is needed; for others make a token first (`buffet token`).
    """
    if (tls_certificate is None) is not (tls_key is None):
        raise click.UsageError("--tls-certificate and --tls-key belong together")
    from buffet.service.access.startup import private_folder
    from buffet.service.errors import FolderError
    from buffet.service.logs import configure
    from buffet.service.server import serve as run
    from buffet.service.settings import ServiceSettings

    settings = ServiceSettings(
        folder,
        database,
        host,
        port,
        names,
        tls_certificate,
        tls_key,
        proxy,
        job_memory_bytes=round(memory * 2**30),
        job_time_s=job_time,
        watch=watch,
        settle_s=settle,
        **({} if workers is None else {"workers": workers}),
    )
    if watch is not None and not watch.is_dir():
        raise FolderError(f"--watch {watch}: there is no such folder; make it first, or mount it")
    configure(log)

    def announce(address: str) -> None:
        click.echo(f"serving {folder} at {address}", err=True)
        if remark := private_folder(folder):
            click.echo(remark, err=True)

    run(settings, announce)
