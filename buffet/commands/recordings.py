"""Commands on recordings: `check` and `spectra`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from buffet.commands.running import done, exit_for, give, opened, progress, tell_failed, told
from buffet.options import CAMPAIGN, JSON, SPEED, WITHOUT_TUNNEL, Quantity, output_option


@click.command()
@CAMPAIGN
@JSON
@told
def check(campaign: Path, as_json: bool) -> None:
    """List what speaks against trusting the recordings."""
    from buffet import documents, terminal
    from buffet.checking import check as check_campaign
    from ingest import open_campaign

    checked = check_campaign(open_campaign(campaign), progress)
    done()
    if as_json:
        click.echo(documents.dumps(documents.check_document(checked)))
    else:
        click.echo(terminal.checked_text(checked))
    if any(finding.severity == "error" for finding in checked.findings):
        tell_failed(checked.failed)
        sys.exit(1)
    exit_for(checked.failed)


@click.command()
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
@told
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

    source = opened(campaign, output)
    numbers = None if number is None else [source.run(number).number]
    if without_tunnel:
        require_probes([run for run in source.runs if numbers is None or run.number in numbers])
    analysis = analyse(source, numbers, AnalysisSettings(resolution), progress)
    if without_tunnel:
        analysis = analysis.without_tunnel()
    results = follow([run_result(run, road_speed_m_s=speed) for run in analysis.chosen(numbers)])
    done()
    give(
        output,
        as_json,
        lambda: spectra_writers(analysis, results),
        lambda: documents.spectra_document(analysis, results),
        lambda: terminal.spectra_text(results),
    )
    exit_for(analysis.failed)
