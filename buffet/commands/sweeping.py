"""The command `sweep`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from buffet.commands.running import done, exit_for, give, opened, progress, told
from buffet.commands.worker_options import on_workers
from buffet.options import (
    CAMPAIGN,
    JSON,
    WITHOUT_TUNNEL,
    Place,
    output_option,
    units_row_option,
)

if TYPE_CHECKING:
    from buffet.workers.choice import Workers


@click.command()
@CAMPAIGN
@WITHOUT_TUNNEL
@on_workers
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def sweep(
    campaign: Place,
    without_tunnel: bool,
    workers: Workers,
    as_json: bool,
    output: Path | None,
    units_row: bool,
) -> None:
    """Peaks and RMS over wind speeds: what scales, what still changes."""
    from buffet.analysis import analyse
    from buffet.outputs import sweep_writers
    from buffet.peak_search import all_peaks
    from buffet.sweep.document import sweep_document
    from buffet.sweep.sweep import sweep as sweep_of
    from buffet.sweep.text import sweep_text
    from buffet.tunnel_part import require_probes

    source = opened(campaign, output)
    if without_tunnel:
        require_probes(source.runs)
    peaks = all_peaks(without_tunnel=without_tunnel)
    analysis = analyse(source, progress=progress, workers=workers, prepare=peaks)
    if without_tunnel:
        analysis = analysis.without_tunnel()
    swept = sweep_of(analysis, progress)
    done()
    give(
        output,
        as_json,
        lambda: sweep_writers(swept),
        lambda: sweep_document(swept),
        lambda: sweep_text(swept),
        units_row=units_row,
    )
    exit_for(analysis.failed)
