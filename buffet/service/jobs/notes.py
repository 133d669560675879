"""What happens to jobs, in the log and the metrics."""

from __future__ import annotations

import logging
from typing import Any

from sqlalchemy import Engine

from buffet.service.database.engine import reading
from buffet.service.errors import NotFoundError
from buffet.service.jobs import queue
from buffet.service.jobs.queue import Job
from buffet.service.metrics import Metrics

LOG = logging.getLogger("buffet.service.jobs")


def note(engine: Engine, metrics: Metrics, job_id: int, event: str) -> None:
    """Tell an event of the pool's: started, ended, lost (its worker died) or cancelled.

    Never raises: the log of a job must not become its fate.
    """
    try:
        with reading(engine) as connection:
            job = queue.job(connection, job_id)
        _note(metrics, job, event)
    except NotFoundError:
        LOG.info("job %d is gone with its campaign", job_id, extra={"job": job_id})
    except Exception:
        LOG.exception("job %d", job_id, extra={"job": job_id})


def _note(metrics: Metrics, job: Job, event: str) -> None:
    told: dict[str, Any] = {
        "job": job.id,
        "kind": job.kind,
        "campaign": job.campaign_id,
        "user": job.created_by,
    }
    if event == "started":
        waited_s = (job.started_at or job.created_at) - job.created_at
        LOG.info("job %d starts", job.id, extra=told | {"waited_s": round(waited_s, 3)})
    elif event == "lost":
        metrics.worker_died()
        LOG.warning("the worker of job %d died", job.id, extra=told | {"attempt": job.attempts})
    elif not job.is_ended:
        LOG.info("job %d goes back into the queue", job.id, extra=told)
    elif event == "ended" or job.started_at is None:  # cancelled in the queue: no worker ends it
        duration_s = None
        if job.started_at is not None and job.ended_at is not None:
            duration_s = job.ended_at - job.started_at
            told["duration_s"] = round(duration_s, 3)
        metrics.ended(job.kind, job.state, duration_s)
        if job.error is not None:
            told["error"] = job.error
        LOG.info("job %d is %s", job.id, job.state, extra=told)
