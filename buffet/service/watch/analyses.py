"""What is computed by itself when a run came in, so that the verdict is there between runs."""

from __future__ import annotations

import logging
from collections.abc import Collection

from buffet.service.catalogue import Campaign, Found
from buffet.service.errors import ServiceError
from buffet.service.jobs.requests import BoardRequest, CompareRequest, RunRequest, Settings
from buffet.service.starting import start
from buffet.service.state import Service
from buffet.service.watch.taking import WATCH

LOG = logging.getLogger("buffet.service.watch")
# Of one look: whoever stands in the hall looks at the last; of old ones a page is made when asked.
MOST_RUNS = 4


def wanted(found: Found, sheets: Collection[str]) -> list[Settings]:
    """The board, the comparison where there is something to compare, and the newest runs."""
    ready = [run for run in found.runs if not run.is_waiting]
    rated = [run for run in ready if run.kind == "wind-on"]
    asked: list[Settings] = []
    if rated:
        asked.append(BoardRequest(kind="board"))
    others = {run.configuration for run in rated} - {found.baseline}
    if found.baseline is not None and others:
        asked.append(CompareRequest(kind="compare"))
    new = [run for run in ready if run.sheet in sheets]
    return [*asked, *(RunRequest(kind="run", run=run.number) for run in new[-MOST_RUNS:])]


def start_analyses(
    service: Service, campaign: Campaign, found: Found, sheets: Collection[str]
) -> None:
    """Put them into the queue; where that is full, people start them later."""
    asked = wanted(found, sheets)
    try:
        for one in asked:
            start(service, campaign.id, [one], WATCH, "")
    except ServiceError as error:
        LOG.warning("analyses of campaign %d do not start: %s", campaign.id, error)
