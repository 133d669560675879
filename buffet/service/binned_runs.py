"""Runs in the bin, of campaigns that are not: their files stay, and come back with them."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, delete, func, select

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
    """Files that went into the bin with the last run of a number."""
    query = select(FILES.c.name, FILES.c.sha256, FILES.c.size).where(
        *_last_binned(campaign_id, number)
    )
    found = [StoredFile(*row) for row in connection.execute(query.order_by(FILES.c.id))]
    if not found:
        raise NotFoundError(f"the bin has no run {number!r} of campaign {campaign_id}")
    return found


def forget(connection: Connection, campaign_id: int, number: str) -> None:
    """Its files are not in the bin any more: they are about to be the campaign's again."""
    connection.execute(delete(FILES).where(*_last_binned(campaign_id, number)))


def _last_binned(campaign_id: int, number: str) -> tuple[ColumnElement[bool], ...]:
    """Several runs of one number may have gone there, one after the other: each stays whole."""
    own = (FILES.c.campaign_id == campaign_id, FILES.c.binned_run == number)
    latest = select(func.max(FILES.c.binned_at)).where(*own).scalar_subquery()
    return (*own, FILES.c.binned_at == latest)


def numbers(connection: Connection, campaign_id: int) -> list[str]:
    """Numbers of runs in the bin, of a campaign that is not."""
    query = select(FILES.c.binned_run).where(
        FILES.c.campaign_id == campaign_id, FILES.c.binned_run.is_not(None)
    )
    return sorted(set(connection.scalars(query.distinct())))
