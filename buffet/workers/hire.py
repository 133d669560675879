"""The crew that was chosen, ready to read."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext

from buffet.one_run import Reading
from buffet.workers.choice import Workers
from buffet.workers.crew import Alone, Crew


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
        return nullcontext(Alone(reading))
    from buffet.workers.memory import bound_bytes
    from buffet.workers.processes import ProcessCrew

    return ProcessCrew(reading, count, bound_bytes(workers.memory_bytes))
