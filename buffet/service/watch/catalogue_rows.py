"""What the watch asks of the catalogue and writes to it, beside files themselves."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Engine, select, update

from buffet.service import catalogue, changes
from buffet.service.catalogue import StoredFile
from buffet.service.database.engine import reading, writing
from buffet.service.database.tables import CAMPAIGNS, FILES
from buffet.service.state import Service
from buffet.service.watch.groups import Fault


@dataclass(frozen=True)
class Known:
    """The campaign of a watched folder."""

    id: int
    revision: int
    is_binned: bool


@dataclass(frozen=True)
class Contents:
    """What a campaign has, and what of it went into the bin with a run."""

    live: dict[str, StoredFile]
    binned: set[tuple[str, str]]  # name, digest


def watched(engine: Engine) -> dict[str, Known]:
    """Campaigns by their folder's name; one of the bin where there is no other."""
    query = select(
        CAMPAIGNS.c.watched, CAMPAIGNS.c.id, CAMPAIGNS.c.revision, CAMPAIGNS.c.binned_at
    ).where(CAMPAIGNS.c.watched.is_not(None))
    found: dict[str, Known] = {}
    with reading(engine) as connection:
        for row in connection.execute(query):
            if row.binned_at is None or row.watched not in found:
                found[row.watched] = Known(row.id, row.revision, row.binned_at is not None)
    return found


def files(engine: Engine, campaign_id: int) -> dict[str, StoredFile]:
    """A campaign's files by name."""
    with reading(engine) as connection:
        return {file.name: file for file in catalogue.files(connection, campaign_id)}


def contents(engine: Engine, campaign_id: int | None) -> Contents:
    """Nothing where there is no campaign yet."""
    if campaign_id is None:
        return Contents({}, set())
    query = select(FILES.c.name, FILES.c.sha256).where(
        FILES.c.campaign_id == campaign_id, FILES.c.binned_run.is_not(None)
    )
    with reading(engine) as connection:
        live = {file.name: file for file in catalogue.files(connection, campaign_id)}
        return Contents(live, {(row.name, row.sha256) for row in connection.execute(query)})


def inspected_waits(service: Service, campaign_id: int) -> tuple[Fault, ...]:
    """What a campaign as it stands waits for, without what the watch told of it before."""
    with reading(service.engine) as connection:
        if not catalogue.campaign(connection, campaign_id).waiting:
            return ()
    return tuple(dict(fault) for fault in changes.waits_of(service, campaign_id))


def tell(engine: Engine, campaign_id: int, waiting: Sequence[Fault]) -> int:
    """Write what a campaign waits for where that is new; its revision then."""
    with reading(engine) as connection:
        found = catalogue.campaign(connection, campaign_id)
    if found.waiting == list(waiting):
        return found.revision
    with writing(engine) as connection:
        found = catalogue.campaign(connection, campaign_id)
        values = {
            "waiting": list(waiting),
            "revision": found.revision + 1,
            "changed_at": time.time(),
        }
        connection.execute(update(CAMPAIGNS).where(CAMPAIGNS.c.id == campaign_id).values(values))
    return found.revision + 1
