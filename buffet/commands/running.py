"""What every command does: our errors as one message, progress, output and exit code."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from errno import EPIPE
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from buffet.options import wants_cache

if TYPE_CHECKING:
    from buffet.analysis import Failure
    from buffet.options import Place
    from buffet.writing import Writer
    from ingest import Campaign

Command = TypeVar("Command", bound=Callable[..., Any])


def told(function: Command) -> Command:
    """Turn our own errors into one message and exit code 1."""

    @wraps(function)
    def wrapped(*args: Any, **options: Any) -> Any:
        from buffet.errors import BuffetError
        from ingest import IngestError

        try:
            return function(*args, **options)
        except (IngestError, BuffetError) as error:
            raise click.ClickException(str(error)) from error
        except OSError as error:
            if error.errno == EPIPE:  # whoever read the output has seen enough
                raise
            raise click.ClickException(str(error)) from error

    return wrapped  # type: ignore[return-value]


# Top modules of the extra `service`.
_OF_THE_SERVICE = ("sqlalchemy", "alembic", "fastapi", "uvicorn", "anyio", "prometheus_client")


def needs_service(function: Command) -> Command:
    """Say what to install where a command needs the service's extra and it is not there."""

    @wraps(function)
    def wrapped(*args: Any, **options: Any) -> Any:
        try:
            return function(*args, **options)
        except ModuleNotFoundError as error:
            if error.name is None or error.name.partition(".")[0] not in _OF_THE_SERVICE:
                raise
            raise click.ClickException(
                f'{error.name} is missing; install it with: pip install "buffeting[service]"'
            ) from error

    return wrapped  # type: ignore[return-value]


def opened(place: Place, output: Path | None) -> Campaign:
    """The campaign, checked; refuses at once to write a result over one of its recordings."""
    from buffet.errors import OutputError
    from buffet.opening import open_campaign
    from ingest import CacheError

    _tell_over_progress()
    try:
        campaign = open_campaign(place, cache=wants_cache())
    except CacheError as error:
        raise CacheError(error.place, error.problem, "--cache") from error
    if output is not None and output.exists():
        for run in campaign.runs:
            if any(output.samefile(file) for file in run.recordings):
                raise OutputError(
                    f"{output}: is the recording of run {run.number}, which would be lost; "
                    "choose another place"
                )
    return campaign


def give(
    output: Path | None,
    as_json: bool,
    writers: Callable[[], Mapping[str, Writer]],
    document: Callable[[], dict[str, Any]],
    text: Callable[[], str],
    *,
    units_row: bool = False,
) -> None:
    """To a file by its suffix, or to stdout as JSON or as text."""
    from buffet.documents import dumps
    from buffet.writing import with_units_row, write

    if output is not None:
        write(output, with_units_row(writers()) if units_row else writers())
    else:
        say(dumps(document()) if as_json else text())


def say(text: str) -> None:
    """A result to stdout; raises OutputError where that takes no more."""
    from buffet.errors import OutputError

    try:
        click.echo(text)
    except OSError as error:
        if error.errno == EPIPE:
            raise
        raise OutputError(f"the output cannot be written: {error}") from error


def progress(text: str) -> None:
    """One line on stderr that is written over; nothing where nobody watches."""
    if sys.stderr.isatty():
        click.echo(f"\r\033[K{text}", err=True, nl=False)


def _tell_over_progress() -> None:
    """Warnings, which go to stderr, take the place of the line of progress."""
    import logging

    if sys.stderr.isatty() and logging.lastResort is not None:
        logging.lastResort.setFormatter(logging.Formatter("\r\033[K%(message)s"))


def done() -> None:
    """Clear the line of progress."""
    if sys.stderr.isatty():
        click.echo("\r\033[K", err=True, nl=False)


def tell_failed(failed: tuple[Failure, ...]) -> None:
    """Name on stderr the runs that could not be read."""
    from buffet.terminal import failures_text

    if failed:
        click.echo(failures_text(failed), err=True)


def exit_for(failed: tuple[Failure, ...]) -> None:
    """Exit with 1 where a run could not be read, after the rest was printed."""
    tell_failed(failed)
    if failed:
        sys.exit(1)
