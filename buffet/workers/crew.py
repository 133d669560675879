"""Whoever reads runs, seen from the analysis: runs in, what was read of them out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Protocol

from buffet.one_run import Outcome, Reading, RunRead, read_or_failed
from ingest import Run


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
