"""How many processes read the runs, what memory they may take together, or which cluster."""

from __future__ import annotations

import os
from dataclasses import dataclass
from numbers import Integral, Real

# Runs below which processes of their own do not pay: each begins with imports of half a second to
# a second, what a run of a minute takes to be read and fitted (measured on the demo).
FEWEST_RUNS = 8


@dataclass(frozen=True)
class Workers:
    """Who reads the runs of an analysis."""

    count: int | None = None  # processes; 1: this one, None: one a core where there are many runs
    memory_bytes: float | None = None  # they may take together; None: a share of what is free
    cluster: str | None = None  # address of a Dask scheduler, in place of processes here

    def __post_init__(self) -> None:
        """Refuse what nobody can work with.

        Raises
        ------
        TypeError
            What is to be a number or an address is none.
        ValueError
            There is no worker, or no memory, or there are processes and a cluster.
        """
        count, memory, cluster = self.count, self.memory_bytes, self.cluster
        if count is not None and not isinstance(count, Integral):
            raise TypeError(f"got workers={count!r}; give a whole number, or None")
        if memory is not None and not isinstance(memory, Real):
            raise TypeError(f"got memory_bytes={memory!r}; give a number, for example 4e9, or None")
        if cluster is not None and not isinstance(cluster, str):
            raise TypeError(f"got cluster={cluster!r}; give its address, or None")
        if count is not None and count < 1:
            raise ValueError(f"got {count} workers; give 1 or more, or None")
        if memory is not None and not memory > 0:
            raise ValueError(f"got {memory} bytes of memory; give more than 0, or None")
        if cluster is not None and (count not in (None, 1) or memory is not None):
            raise ValueError("a cluster has workers of its own: give no workers or memory_bytes")

    def processes(self, n_runs: int) -> int:
        """How many read so many runs."""
        wanted = self.count
        if wanted is None:
            wanted = cores() if n_runs >= FEWEST_RUNS else 1
        return max(1, min(wanted, n_runs))


HERE = Workers(1)  # this process alone


def cores() -> int:
    """Those that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
