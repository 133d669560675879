"""The command line: translates options into calls and results into text; computes nothing."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Mapping
from errno import EPIPE
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from buffet.options import (
    AT_SPEED,
    CAMPAIGN,
    CRITERIA,
    FAIL_ON,
    FUEL_ELASTICITY,
    JSON,
    SPEED,
    UP_TO,
    WITHOUT_TUNNEL,
    Quantity,
    fail_on_option,
    output_option,
)

if TYPE_CHECKING:
    from buffet.analysis import CampaignAnalysis, Failure
    from buffet.rating.rate import Rating
    from buffet.writing import Writer

Command = TypeVar("Command", bound=Callable[..., Any])

FLAGGED = 3


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


def _told(function: Command) -> Command:
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
            raise click.ClickException(f"the output cannot be written: {error}") from error

    return wrapped  # type: ignore[return-value]


@main.command()
@CAMPAIGN
@JSON
@_told
def check(campaign: Path, as_json: bool) -> None:
    """List what speaks against trusting the recordings."""
    from buffet import documents, terminal
    from buffet.checking import check as check_campaign
    from ingest import open_campaign

    findings, failed = check_campaign(open_campaign(campaign), _progress)
    _done()
    if as_json:
        lost = [{"run": failure.run, "error": failure.error} for failure in failed]
        click.echo(documents.dumps(documents.check_document(findings, lost)))
    else:
        click.echo(terminal.findings_text(findings, failed))
    if any(finding.severity == "error" for finding in findings):
        _tell_failed(failed)
        sys.exit(1)
    _exit_for(failed)


@main.command()
@CAMPAIGN
@click.option("--run", "number", help="One run's number; all runs without it.")
@click.option(
    "--resolution",
    type=Quantity("frequency", "0.5 Hz"),
    metavar="FREQUENCY",
    help='Distance of the bins, e.g. "0.5 Hz"; chosen for the peaks without it.',
)
@click.option(
    "--speed", type=SPEED, metavar="SPEED", help="Give the bands in road hertz at this road speed."
)
@WITHOUT_TUNNEL
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@_told
def spectra(
    campaign: Path,
    number: str | None,
    resolution: float | None,
    speed: float | None,
    without_tunnel: bool,
    as_json: bool,
    output: Path | None,
) -> None:
    """PSD, peaks and RMS coefficients of runs."""
    from buffet import documents, terminal
    from buffet.analysis import AnalysisSettings, analyse
    from buffet.following import follow
    from buffet.outputs import spectra_writers
    from buffet.run_spectra import run_result
    from buffet.tunnel_part import require_probes
    from ingest import open_campaign

    opened = open_campaign(campaign)
    numbers = None if number is None else [opened.run(number).number]
    if without_tunnel:
        require_probes([run for run in opened.runs if numbers is None or run.number in numbers])
    analysis = analyse(opened, numbers, AnalysisSettings(resolution), _progress)
    if without_tunnel:
        analysis = analysis.without_tunnel()
    results = follow([run_result(run, road_speed_m_s=speed) for run in analysis.chosen(numbers)])
    _done()
    _give(
        output,
        as_json,
        lambda: spectra_writers(analysis, results),
        lambda: documents.spectra_document(analysis, results),
        lambda: terminal.spectra_text(results),
    )
    _exit_for(analysis.failed)


@main.command()
@CAMPAIGN
@AT_SPEED
@UP_TO
@CRITERIA
@WITHOUT_TUNNEL
@fail_on_option
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@_told
def rate(
    campaign: Path,
    speed: float,
    up_to: float,
    criteria: Path | None,
    without_tunnel: bool,
    fail_on: str | None,
    as_json: bool,
    output: Path | None,
) -> None:
    """The verdict per configuration at a road speed, worst first."""
    from buffet import documents, terminal
    from buffet.outputs import rating_writers

    rating = _rating(campaign, speed, up_to, criteria, without_tunnel)
    _give(
        output,
        as_json,
        lambda: rating_writers(rating),
        lambda: documents.rating_document(rating),
        lambda: terminal.rating_text(rating),
    )
    _exit_for(rating.analysis.failed)
    _flag(rating, fail_on)


@main.command()
@CAMPAIGN
@click.option("--from", "lowest", type=SPEED, default="60 km/h", show_default=True, metavar="SPEED")
@click.option("--to", "highest", type=SPEED, default="220 km/h", show_default=True, metavar="SPEED")
@click.option("--step", type=SPEED, default="10 km/h", show_default=True, metavar="SPEED")
@CRITERIA
@WITHOUT_TUNNEL
@JSON
@output_option(".json, .csv, .parquet")
@_told
def table(
    campaign: Path,
    lowest: float,
    highest: float,
    step: float,
    criteria: Path | None,
    without_tunnel: bool,
    as_json: bool,
    output: Path | None,
) -> None:
    """Loads, frequencies and verdicts over road speed."""
    from buffet import documents, terminal
    from buffet.outputs import table_writers
    from buffet.rating.table import road_table, table_speeds

    if highest < lowest:
        raise click.UsageError("--to must not lie below --from")
    speeds = table_speeds(lowest, highest, step)
    rating = _rating(campaign, lowest, highest, criteria, without_tunnel, tuple(speeds))
    rows = road_table(rating, speeds)
    _give(
        output,
        as_json,
        lambda: table_writers(rows, rating),
        lambda: documents.table_document(rows, rating),
        lambda: terminal.table_text(rows),
    )
    _exit_for(rating.analysis.failed)


@main.command()
@CAMPAIGN
@AT_SPEED
@CRITERIA
@FUEL_ELASTICITY
@WITHOUT_TUNNEL
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@_told
def compare(
    campaign: Path,
    speed: float,
    criteria: Path | None,
    fuel_elasticity: float | None,
    without_tunnel: bool,
    as_json: bool,
    output: Path | None,
) -> None:
    """Add-ons against the baseline, and which to fit."""
    from buffet import documents
    from buffet.comparing import compare as compare_rating
    from buffet.comparison_text import comparison_text
    from buffet.outputs import comparison_writers

    rating = _rating(campaign, speed, speed, criteria, without_tunnel, needs_baseline=True)
    comparison = compare_rating(rating, fuel_elasticity)
    _give(
        output,
        as_json,
        lambda: comparison_writers(comparison),
        lambda: documents.comparison_document(comparison),
        lambda: comparison_text(comparison),
    )
    _exit_for(comparison.rating.analysis.failed)


@main.command()
@CAMPAIGN
@AT_SPEED
@UP_TO
@CRITERIA
@FUEL_ELASTICITY
@WITHOUT_TUNNEL
@fail_on_option
@output_option(".html")
@_told
def report(
    campaign: Path,
    speed: float,
    up_to: float,
    criteria: Path | None,
    fuel_elasticity: float | None,
    without_tunnel: bool,
    fail_on: str | None,
    output: Path | None,
) -> None:
    """One self-contained page for a client; report.html without -o."""
    from buffet.comparing import compare as compare_rating
    from buffet.comparison_text import verdicts_text
    from buffet.report import report_html
    from buffet.writing import text_writer, write

    rating = _rating(campaign, speed, up_to, criteria, without_tunnel)
    comparison = compare_rating(rating, fuel_elasticity) if rating.has_comparison else None
    target = output or Path("report.html")
    page = report_html(comparison, rating, rating.findings)
    write(target, {".html": text_writer(page)})
    click.echo(verdicts_text(rating, comparison))
    click.echo(f"report written to {target}", err=True)
    _exit_for(rating.analysis.failed)
    _flag(rating, fail_on)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--seed", type=int, default=None, help="Another seed gives other noise.")
@_told
def demo(folder: Path, seed: int | None) -> None:
    """Write the invented example campaign, with its truth."""
    from buffet.demo import DEFAULT_SEED, write_demo

    write_demo(folder, DEFAULT_SEED if seed is None else seed)
    click.echo(f'wrote {folder}; next: buffet rate {folder} --speed "130 km/h"', err=True)


def _give(
    output: Path | None,
    as_json: bool,
    writers: Callable[[], Mapping[str, Writer]],
    document: Callable[[], dict[str, Any]],
    text: Callable[[], str],
) -> None:
    """To a file by its suffix, or to stdout as JSON or as text."""
    from buffet.documents import dumps
    from buffet.writing import write

    if output is not None:
        write(output, writers())
    else:
        click.echo(dumps(document()) if as_json else text())


def _rating(
    folder: Path,
    speed: float,
    up_to: float,
    criteria: Path | None,
    without_tunnel: bool,
    more: tuple[float, ...] = (),
    *,
    needs_baseline: bool = False,
) -> Rating:
    from buffet.analysis import analyse
    from buffet.comparing import require_baseline
    from buffet.rating.criteria import read_criteria
    from buffet.rating.rate import RatingSettings, rate, rate_without_tunnel, require_rateable
    from buffet.tunnel_part import require_probes
    from ingest import open_campaign

    opened = open_campaign(folder)
    require_rateable(opened)
    if needs_baseline:
        require_baseline(opened)
    if without_tunnel:
        require_probes(opened.runs)
    rows = read_criteria(criteria)
    analysis = analyse(opened, progress=_progress)
    _progress("rating")
    settings = RatingSettings(speed, more, up_to, rows)
    rating = (rate_without_tunnel if without_tunnel else rate)(analysis, settings)
    _done()
    _remark_on(analysis)
    return rating


def _remark_on(analysis: CampaignAnalysis) -> None:
    """Findings never stop a rating, but whoever reads it should know of them."""
    counts = {s: sum(f.severity == s for f in analysis.findings) for s in ("error", "warning")}
    told = [f"{n} finding{'s' if n > 1 else ''} of severity {s}" for s, n in counts.items() if n]
    if told:
        click.echo(f"{' and '.join(told)} in the recordings: see `buffet check`", err=True)


def _progress(text: str) -> None:
    """One line on stderr that is written over; nothing where nobody watches."""
    if sys.stderr.isatty():
        click.echo(f"\r\033[K{text}", err=True, nl=False)


def _done() -> None:
    if sys.stderr.isatty():
        click.echo("\r\033[K", err=True, nl=False)


def _tell_failed(failed: tuple[Failure, ...]) -> None:
    from buffet.terminal import failures_text

    if failed:
        click.echo(failures_text(failed), err=True)


def _flag(rating: Rating, fail_on: str | None) -> None:
    """Exit with 3 where a configuration is at least what was to be flagged."""
    if fail_on and any(one.verdict in FAIL_ON[fail_on] for one in rating.configurations):
        sys.exit(FLAGGED)


def _exit_for(failed: tuple[Failure, ...]) -> None:
    """Exit with 1 where a run could not be read, after the rest was printed."""
    _tell_failed(failed)
    if failed:
        sys.exit(1)
