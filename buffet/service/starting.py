"""Analyses started and cancelled on somebody's behalf."""

from __future__ import annotations

import time
from collections.abc import Sequence

from buffet.service import catalogue
from buffet.service.access.audit import record
from buffet.service.access.roles import Principal
from buffet.service.database.engine import writing
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Job
from buffet.service.jobs.requests import Settings, result_key
from buffet.service.state import Service


def start(
    service: Service,
    campaign_id: int,
    asked: Sequence[Settings],
    principal: Principal,
    address: str,
) -> list[tuple[Job, bool]]:
    """Jobs for what is asked of a campaign, each with whether it is new.

    Raises
    ------
    NotFoundError
        There is no such campaign, or it has no such run.
    QueueFullError
        As many jobs wait as may.
    """
    jobs = []
    with writing(service.engine) as connection:
        found = catalogue.campaign(connection, campaign_id)
        for one in asked:
            kind, values = one.kind, one.values()  # type: ignore[attr-defined]
            if values.get("run") is not None:
                catalogue.run(connection, campaign_id, values["run"])
            job, is_new = queue.add(
                connection,
                campaign_id,
                kind,
                values,
                result_key(found.manifest_sha256, kind, values),
                found.manifest_sha256,
                principal.name,
                service.settings.queue,
            )
            if is_new:
                what = {"kind": kind, "settings": values}
                about = f"job {job.id}"
                record(connection, principal, address, "start job", about, what, time.time())
            jobs.append((job, is_new))
    service.pool.wake()
    return jobs


def cancel(service: Service, job_id: int, principal: Principal, address: str) -> Job:
    """End an analysis that waits or runs; raises as `Pool.cancel`."""
    service.pool.cancel(job_id)
    with writing(service.engine) as connection:
        record(connection, principal, address, "cancel job", f"job {job_id}", {}, time.time())
        return queue.job(connection, job_id)
