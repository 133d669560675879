"""The command `check`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from buffet.commands.running import done, exit_for, opened, progress, say, tell_failed, told
from buffet.commands.worker_options import on_workers
from buffet.options import CAMPAIGN, JSON, Place

if TYPE_CHECKING:
    from buffet.workers.choice import Workers


@click.command()
@CAMPAIGN
@on_workers
@JSON
@told
def check(campaign: Place, workers: Workers, as_json: bool) -> None:
    """List what speaks against trusting the recordings."""
    from buffet import documents, terminal
    from buffet.checking import check as check_campaign

    checked = check_campaign(opened(campaign, None), progress, workers)
    done()
    if as_json:
        say(documents.dumps(documents.check_document(checked)))
    else:
        say(terminal.checked_text(checked))
    if any(finding.severity == "error" for finding in checked.findings):
        tell_failed(checked.failed)
        sys.exit(1)
    exit_for(checked.failed)
