"""The crew that was chosen, ready to read."""

from __future__ import annotations

import logging
from contextlib import AbstractContextManager, nullcontext

from buffet.one_run import Reading
from buffet.workers.choice import Workers
from buffet.workers.crew import Alone, Crew

_log = logging.getLogger(__name__)


def crew(workers: Workers, reading: Reading, n_runs: int) -> AbstractContextManager[Crew]:
    """The crew that was chosen; left, it has ended whatever it started.

    Raises
    ------
    ClusterError
        The cluster cannot be reached, or has another version of the program.
    """
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
