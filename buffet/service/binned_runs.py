"""Runs in the bin, of campaigns that are not: their files stay, and come back with them."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, delete, func, select

from buffet.service.catalogue import StoredFile
from buffet.service.database.tables import CAMPAIGNS, FILES
from buffet.service.errors import NotFoundError


@dataclass(frozen=True)
class BinnedRun:
    """A run in the bin, of a campaign that is not."""

    campaign_id: int
    number: str
    binned_at: float
    size: int


def every(connection: Connection, limit: int) -> list[BinnedRun]:
    """Newest first."""
    latest = func.max(FILES.c.binned_at)
    query = (
        select(FILES.c.campaign_id, FILES.c.binned_run, latest, func.sum(FILES.c.size))
        .join(CAMPAIGNS, CAMPAIGNS.c.id == FILES.c.campaign_id)
        .where(FILES.c.binned_run.is_not(None), CAMPAIGNS.c.binned_at.is_(None))
        .group_by(FILES.c.campaign_id, FILES.c.binned_run)
        .order_by(latest.desc())
        .limit(limit)
    )
    return [BinnedRun(row[0], row[1], row[2], int(row[3])) for row in connection.execute(query)]


def files_of(connection: Connection, campaign_id: int, number: str) -> list[StoredFile]:
    """Files that went into the bin with a run, as they last were."""
    query = (
        select(FILES.c.name, FILES.c.sha256, FILES.c.size)
        .where(FILES.c.campaign_id == campaign_id, FILES.c.binned_run == number)
        .order_by(FILES.c.id)
    )
    by_name = {row.name: StoredFile(*row) for row in connection.execute(query)}
    if not by_name:
        raise NotFoundError(f"the bin has no run {number!r} of campaign {campaign_id}")
    return list(by_name.values())


def forget(connection: Connection, campaign_id: int, number: str) -> None:
    """A run's files are not in the bin any more: they are about to be the campaign's again."""
    gone = (FILES.c.campaign_id == campaign_id, FILES.c.binned_run == number)
    connection.execute(delete(FILES).where(*gone))


def numbers(connection: Connection, campaign_id: int) -> list[str]:
    """Numbers of runs in the bin, of a campaign that is not."""
    query = select(FILES.c.binned_run).where(
        FILES.c.campaign_id == campaign_id, FILES.c.binned_run.is_not(None)
    )
    return sorted(set(connection.scalars(query.distinct())))
