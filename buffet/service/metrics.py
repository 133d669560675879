"""What a service did and how full it is, as numbers for Prometheus; each service has its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import Engine, func, select

from buffet.service.database.engine import reading
from buffet.service.database.tables import CAMPAIGNS, JOBS

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
# Bounds of durations, engineering judgement: pages take milliseconds, uploads minutes, and analyses
# seconds to an hour.
REQUEST_S = (0.005, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 20.0, 60.0, 300.0)
JOB_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 900.0, 3600.0, 6 * 3600.0)
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
OTHER = "other"  # whatever a label would else take from a request as it came


class Metrics:
    """Counters since the start, and what is asked of database and disk when they are read.

    Labels are bounded: methods of HTTP, routes as they are declared, kinds and states.
    """

    def __init__(self, engine: Engine, folder: Path, workers: Callable[[], int]) -> None:
        """`workers` tells how many worker processes run."""
        self._registry = own = CollectorRegistry()
        self._requests = Counter(
            "buffet_requests_total",
            "Requests that were answered.",
            ("method", "route", "status"),
            registry=own,
        )
        self._request_s = Histogram(
            "buffet_request_duration_seconds",
            "From a request's head to its answer's end; event streams are left out.",
            ("method", "route"),
            buckets=REQUEST_S,
            registry=own,
        )
        self._jobs = Counter(
            "buffet_jobs_ended_total", "Analyses that ended.", ("kind", "state"), registry=own
        )
        self._job_s = Histogram(
            "buffet_job_duration_seconds",
            "Of analyses that were done, without their time in the queue.",
            ("kind",),
            buckets=JOB_S,
            registry=own,
        )
        self._deaths = Counter(
            "buffet_worker_deaths_total", "Workers that died under an analysis.", registry=own
        )
        self._bytes = Counter(
            "buffet_taken_in_bytes_total", "Of campaigns, new content alone.", registry=own
        )
        self._streams = Gauge("buffet_event_streams", "That are open.", registry=own)
        own.register(_Present(engine, folder, workers))

    def answered(
        self, method: str, route: str | None, status: int, duration_s: float, *, is_stream: bool
    ) -> None:
        """A request's end; `route` is the template that it matched, None where it matched none."""
        known = method if method in METHODS else OTHER
        self._requests.labels(known, route or OTHER, str(status)).inc()
        if not is_stream:
            self._request_s.labels(known, route or OTHER).observe(duration_s)

    def ended(self, kind: str, state: str, duration_s: float | None) -> None:
        """A job's end; the duration where it ran."""
        self._jobs.labels(kind, state).inc()
        if state == "done" and duration_s is not None:
            self._job_s.labels(kind).observe(duration_s)

    def worker_died(self) -> None:
        """Under a job."""
        self._deaths.inc()

    def taken_in(self, n_bytes: int) -> None:
        """New content of campaigns."""
        self._bytes.inc(n_bytes)

    def stream_opened(self) -> None:
        """One more."""
        self._streams.inc()

    def stream_closed(self) -> None:
        """One less."""
        self._streams.dec()

    def text(self) -> bytes:
        """All of them, in Prometheus' text format.

        Raises
        ------
        FolderError
            The database cannot be reached.
        """
        return generate_latest(self._registry)


class _Present(Collector):
    """Looked up when asked."""

    def __init__(self, engine: Engine, folder: Path, workers: Callable[[], int]) -> None:
        self._engine, self._folder, self._workers = engine, folder, workers

    def describe(self) -> Iterable[Metric]:
        """Nothing: registering looks nothing up."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """As it is now."""
        waiting = select(func.count()).select_from(JOBS).where(JOBS.c.state == "queued")
        live = select(func.count()).select_from(CAMPAIGNS).where(CAMPAIGNS.c.binned_at.is_(None))
        with reading(self._engine) as connection:
            queued, campaigns = connection.scalar(waiting), connection.scalar(live)
        free = shutil.disk_usage(self._folder).free
        yield GaugeMetricFamily("buffet_jobs_queued", "Analyses that wait.", queued or 0)
        yield GaugeMetricFamily("buffet_workers", "Worker processes that run.", self._workers())
        yield GaugeMetricFamily("buffet_campaigns", "That are not in the bin.", campaigns or 0)
        yield GaugeMetricFamily("buffet_disk_free_bytes", "Of the service's folder.", free)
