"""Whoever reads runs, seen from the analysis: runs in, what was read of them out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import Protocol

from buffet.one_run import Failure, Reading, RunRead, read_or_failed
from buffet.workers.choice import Workers
from ingest import Run

# Of a run: what was read, why nothing was, or what ends the analysis.
Outcome = RunRead | Failure | Exception


class Crew(Protocol):
    """Reads runs, several at once where it can."""

    def read(
        self, runs: Sequence[Run], off: Mapping[str, RunRead], started: Callable[[Run], None]
    ) -> Iterator[tuple[Run, Outcome]]:
        """Each run's outcome as it comes; `off` holds what their wind-off runs gave, by number."""


class Alone:
    """This process, run by run; the engine uses both cores."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading

    def read(
        self, runs: Sequence[Run], off: Mapping[str, RunRead], started: Callable[[Run], None]
    ) -> Iterator[tuple[Run, Outcome]]:
        """In their order; what ends the analysis is raised at once."""
        for run in runs:
            started(run)
            yield run, read_or_failed(self._reading, run, off)


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


def in_order(
    runs: Sequence[Run], outcomes: Iterable[tuple[Run, Outcome]]
) -> Iterator[tuple[Run, Outcome]]:
    """Outcomes in the order of their runs, each as soon as all before it are there.

    So that what ends an analysis is the same in whichever order the runs were read.
    """
    waiting: dict[str, Outcome] = {}
    position = 0
    for run, outcome in outcomes:
        waiting[run.number] = outcome
        while position < len(runs) and runs[position].number in waiting:
            yield runs[position], waiting.pop(runs[position].number)
            position += 1
