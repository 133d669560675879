"""How many processes read the runs, what memory they may take together, or which cluster."""

from __future__ import annotations

import os
from dataclasses import dataclass

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
        ValueError
            There is no worker, or no memory.
        """
        if self.count is not None and self.count < 1:
            raise ValueError(f"got {self.count} workers; give 1 or more, or None")
        if self.memory_bytes is not None and not self.memory_bytes > 0:
            raise ValueError(f"got {self.memory_bytes} bytes of memory; give more than 0, or None")

    def processes(self, n_runs: int) -> int:
        """How many read so many runs."""
        if self.count is None:
            return cores() if n_runs >= FEWEST_RUNS else 1
        return max(1, min(self.count, n_runs))


HERE = Workers(1)  # this process alone


def cores() -> int:
    """Those that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
