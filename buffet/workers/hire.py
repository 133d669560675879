"""The crew that was chosen, ready to read."""

from __future__ import annotations

import logging
from contextlib import AbstractContextManager, nullcontext
from typing import TypeGuard

from buffet.errors import WorkerError
from buffet.one_run import Reading
from buffet.workers.choice import Workers
from buffet.workers.crew import Alone, Crew
from ingest import Run, StoredRun

_log = logging.getLogger(__name__)


def crew(workers: Workers, reading: Reading, n_runs: int) -> AbstractContextManager[Crew]:
    """The crew that was chosen; left, it has ended whatever it started.

    Raises
    ------
    ClusterError
        The cluster cannot be reached, or has another version of the program.
    WorkerError
        Runs lie in a store that no other process finds.
    """
    alone = next((run for run in reading.campaign.runs if _is_of_one_process(run)), None)
    if alone is not None:
        return _here(workers, reading, alone)
    if workers.cluster is not None:
        from buffet.workers.cluster import cluster_crew

        return cluster_crew(workers.cluster, reading)
    count = workers.processes(n_runs)
    if count == 1:
        if workers.memory_bytes is not None:
            _log.warning("--memory bounds several processes: here one reads all runs, in full")
        return nullcontext(Alone(reading))
    from buffet.workers.memory import bound
    from buffet.workers.processes import ProcessCrew

    return ProcessCrew(reading, count, bound(workers.memory_bytes))


def _is_of_one_process(run: Run) -> TypeGuard[StoredRun]:
    return isinstance(run, StoredRun) and run.is_of_one_process


def _here(workers: Workers, reading: Reading, run: StoredRun) -> AbstractContextManager[Crew]:
    """This process alone, which others may have been asked for beside."""
    if workers.cluster is not None or (workers.count or 1) > 1:
        raise WorkerError(
            f"{run.address}: such a store belongs to one process, and others cannot read from it; "
            "leave out workers and cluster"
        )
    return nullcontext(Alone(reading))
