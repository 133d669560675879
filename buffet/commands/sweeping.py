"""The command `sweep`."""

from __future__ import annotations

from pathlib import Path

import click

from buffet.commands.running import done, exit_for, give, opened, progress, told
from buffet.options import CAMPAIGN, JSON, WITHOUT_TUNNEL, output_option, units_row_option


@click.command()
@CAMPAIGN
@WITHOUT_TUNNEL
@JSON
@output_option(".json, .csv, .parquet, .png, .svg, .pdf")
@units_row_option
@told
def sweep(
    campaign: Path, without_tunnel: bool, as_json: bool, output: Path | None, units_row: bool
) -> None:
    """Peaks and RMS over wind speeds: what scales, what still changes."""
    from buffet.analysis import analyse
    from buffet.outputs import sweep_writers
    from buffet.sweep.document import sweep_document
    from buffet.sweep.sweep import sweep as sweep_of
    from buffet.sweep.text import sweep_text
    from buffet.tunnel_part import require_probes

    source = opened(campaign, output)
    if without_tunnel:
        require_probes(source.runs)
    analysis = analyse(source, progress=progress)
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
