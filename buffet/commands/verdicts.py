"""Commands that judge: `rate`, `table`, `compare` and `report`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from buffet.commands.running import done, exit_for, give, opened, progress, say, told
from buffet.commands.worker_options import on_workers
from buffet.options import (
    AT_SPEED,
    CAMPAIGN,
    EQUAL_WITHIN,
    FAIL_ON,
    FUEL_ELASTICITY,
    JSON,
    SPEED,
    SPEED_TRACE,
    UP_TO,
    WITHOUT_LINES,
    Basis,
    Command,
    Noted,
    Place,
    fail_on_option,
    given,
    on_basis,
    output_option,
    units_row_option,
)

if TYPE_CHECKING:
    from buffet.analysis import CampaignAnalysis
    from buffet.rating.rate import Rating, RatingSettings
    from buffet.rating.wind import YawDistribution
    from buffet.road_load.speed_trace import SpeedTrace
    from buffet.workers.choice import Workers
    from ingest import Campaign

FLAGGED = 3
FIGURES = ("speed", "crossings")  # of `rate`
COMPARISON_FIGURES = ("changes", "trade")  # of `compare`


def figure_option(words: tuple[str, ...]) -> Callable[[Command], Command]:
    """`--figure FIGURE`, the first of the words unless given."""
    return click.option(
        "--figure",
        "figures",
        type=click.Choice(words),
        multiple=True,
        metavar="FIGURE",
        help=f"What a picture shows, {words[0]} unless given: {', '.join(words)}.",
    )


def _require_picture(figures: tuple[str, ...], output: Path | None) -> None:
    from buffet.writing import PICTURES

    if figures and (output is None or output.suffix.lower() not in PICTURES):
        raise click.UsageError(f"--figure needs a picture: -o FILE with {', '.join(PICTURES)}")


@click.command()
@CAMPAIGN
@AT_SPEED
@UP_TO
@on_basis(WITHOUT_LINES)
@figure_option(FIGURES)
@fail_on_option
@on_workers
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def rate(
    campaign: Place,
    speed: float,
    up_to: float,
    basis: Basis,
    workers: Workers,
    figures: tuple[str, ...],
    fail_on: str | None,
    as_json: bool,
    output: Path | None,
    units_row: bool,
) -> None:
    """The verdict per configuration at a road speed, worst first."""
    from buffet import documents, terminal
    from buffet.outputs import rating_writers

    _require_picture(figures, output)
    rating = _rating(campaign, basis, workers, speed, up_to, output=output)
    give(
        output,
        as_json,
        lambda: rating_writers(rating, figures),
        lambda: documents.rating_document(rating),
        lambda: terminal.rating_text(rating),
        units_row=units_row,
    )
    exit_for(rating.analysis.failed)
    _flag(rating, fail_on)


@click.command()
@CAMPAIGN
@click.option("--from", "lowest", type=SPEED, default="60 km/h", show_default=True, metavar="SPEED")
@click.option("--to", "highest", type=SPEED, default="220 km/h", show_default=True, metavar="SPEED")
@click.option("--step", type=SPEED, default="10 km/h", show_default=True, metavar="SPEED")
@on_basis(WITHOUT_LINES)
@on_workers
@JSON
@output_option(".json, .csv, .parquet")
@units_row_option
@told
def table(
    campaign: Place,
    lowest: float,
    highest: float,
    step: float,
    basis: Basis,
    workers: Workers,
    as_json: bool,
    output: Path | None,
    units_row: bool,
) -> None:
    """Loads, frequencies and verdicts over road speed."""
    from buffet import documents, terminal
    from buffet.outputs import table_writers
    from buffet.rating.table import road_table, table_speeds

    if highest < lowest:
        raise click.UsageError("--to must not lie below --from")
    speeds = table_speeds(lowest, highest, step)
    rating = _rating(campaign, basis, workers, lowest, highest, tuple(speeds), output=output)
    rows = road_table(rating, speeds)
    give(
        output,
        as_json,
        lambda: table_writers(rows, rating),
        lambda: documents.table_document(rows, rating),
        lambda: terminal.table_text(rows, rating),
        units_row=units_row,
    )
    exit_for(rating.analysis.failed)


@click.command()
@CAMPAIGN
@AT_SPEED
@FUEL_ELASTICITY
@EQUAL_WITHIN
@SPEED_TRACE
@on_basis(WITHOUT_LINES)
@figure_option(COMPARISON_FIGURES)
@on_workers
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def compare(
    campaign: Place,
    speed: float,
    basis: Basis,
    workers: Workers,
    fuel_elasticity: float | None,
    equal_within: float,
    figures: tuple[str, ...],
    speed_trace: Path | None,
    as_json: bool,
    output: Path | None,
    units_row: bool,
) -> None:
    """Add-ons against the baseline, and which to fit."""
    from buffet.comparing import ComparisonSettings
    from buffet.comparing import compare as compare_rating
    from buffet.comparison_document import comparison_document
    from buffet.comparison_text import comparison_text
    from buffet.outputs import comparison_writers

    _require_picture(figures, output)
    trace = _speed_trace(speed_trace)
    rating = _rating(campaign, basis, workers, speed, speed, output=output, needs_baseline=True)
    comparison = compare_rating(rating, ComparisonSettings(fuel_elasticity, equal_within, trace))
    give(
        output,
        as_json,
        lambda: comparison_writers(comparison, figures),
        lambda: comparison_document(comparison),
        lambda: comparison_text(comparison),
        units_row=units_row,
    )
    exit_for(comparison.rating.analysis.failed)


@click.command(cls=Noted)
@CAMPAIGN
@AT_SPEED
@UP_TO
@FUEL_ELASTICITY
@SPEED_TRACE
@on_basis()
@on_workers
@fail_on_option
@output_option(".html, .pdf")
@told
def report(
    campaign: Place,
    speed: float,
    up_to: float,
    basis: Basis,
    workers: Workers,
    fuel_elasticity: float | None,
    speed_trace: Path | None,
    fail_on: str | None,
    output: Path | None,
) -> None:
    """One self-contained page or PDF for a client; report.html without -o."""
    from buffet.comparing import ComparisonSettings
    from buffet.comparing import compare as compare_rating
    from buffet.comparison_text import verdicts_text
    from buffet.report import report_html
    from buffet.report.pdf import require_pdf, write_pdf
    from buffet.writing import text_writer, write

    target = output or Path("report.html")
    if target.suffix.lower() == ".pdf":
        require_pdf()
    settings = ComparisonSettings(fuel_elasticity, speed_trace=_speed_trace(speed_trace))
    rating = _rating(campaign, basis, workers, speed, up_to, output=output, with_sweep=True)
    comparison = compare_rating(rating, settings) if rating.has_comparison else None
    page = report_html(comparison, rating, rating.findings, given())
    write(target, {".html": text_writer(page), ".pdf": lambda path: write_pdf(page, path)})
    say(verdicts_text(rating, comparison))
    click.echo(f"report written to {target}", err=True)
    exit_for(rating.analysis.failed)
    _flag(rating, fail_on)


def _rating(
    folder: Place,
    basis: Basis,
    workers: Workers,
    speed: float,
    up_to: float,
    more: tuple[float, ...] = (),
    *,
    output: Path | None,
    needs_baseline: bool = False,
    with_sweep: bool = False,
) -> Rating:
    from buffet.analysis import analyse
    from buffet.one_pass import AnalysisSettings
    from buffet.recipes import RatingRecipe

    campaign = opened(folder, output)
    settings = _settings(campaign, basis, speed, up_to, more)
    out = basis.without_tunnel, basis.without_lines
    recipe = RatingRecipe(settings, *out, needs_baseline, with_sweep)
    recipe.require(campaign)
    asked = AnalysisSettings(keeps=recipe.keeps)
    read = analyse(
        campaign, settings=asked, progress=progress, workers=workers, prepare=recipe.peaks
    )
    analysis = recipe.prepared(read)
    rating = recipe.rate(analysis, progress)
    done()
    _remark_on(analysis)
    return rating


def _settings(
    campaign: Campaign, basis: Basis, speed: float, up_to: float, more: tuple[float, ...]
) -> RatingSettings:
    """Files that were named are read before any recording."""
    from buffet.rating.criteria import read_criteria
    from buffet.rating.rate import RatingSettings, chosen_car
    from buffet.vehicle import GOOD_MOTORWAY

    rows = read_criteria(basis.criteria)
    vehicle = None if basis.car is None else chosen_car(campaign, basis.car)
    road = basis.road or GOOD_MOTORWAY
    return RatingSettings(speed, more, up_to, rows, road, vehicle=vehicle, wind=_wind(basis))


def _speed_trace(path: Path | None) -> SpeedTrace | None:
    """Read before any recording."""
    from buffet.road_load.speed_trace import read_speed_trace

    return None if path is None else read_speed_trace(path)


def _wind(basis: Basis) -> YawDistribution | None:
    """None in still air."""
    from buffet.rating.wind import Wind
    from buffet.rating.yaw_shares import read_yaw_shares

    if basis.yaw_shares is not None:
        return read_yaw_shares(basis.yaw_shares)
    return None if basis.wind is None else Wind(basis.wind)


def _remark_on(analysis: CampaignAnalysis) -> None:
    """Findings never stop a rating, but whoever reads it should know of them."""
    counts = {s: sum(f.severity == s for f in analysis.findings) for s in ("error", "warning")}
    told = [f"{n} finding{'s' if n > 1 else ''} of severity {s}" for s, n in counts.items() if n]
    if told:
        click.echo(f"{' and '.join(told)} in the recordings: see `buffet check`", err=True)


def _flag(rating: Rating, fail_on: str | None) -> None:
    """Exit with 3 where a configuration is at least what was to be flagged."""
    if fail_on and any(one.verdict in FAIL_ON[fail_on] for one in rating.configurations):
        sys.exit(FLAGGED)
