"""A campaign while its tunnel still runs: what waits for a run that is not there yet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingest.errors import SheetFault
from ingest.record import Run


@dataclass(frozen=True)
class Sorted:
    """The runs of a campaign under way."""

    ready: tuple[Run, ...]  # with all that they name
    waiting: tuple[Run, ...]
    baseline: str | None  # None where no ready run has it
    faults: tuple[SheetFault, ...]  # why the others wait


def sort_waiting(
    shown: Sequence[tuple[str, Run]], baseline: str | None, waits: Sequence[SheetFault]
) -> Sorted:
    """Leave out the runs that wait for another run, and those that wait for these.

    Parameters
    ----------
    shown : sheet's name and run
    baseline : as stated
    waits : faults that only say what is not there yet
    """
    files, faults = {fault.file for fault in waits}, list(waits)
    held = {run.number for name, run in shown if name in files}
    while further := list(_waiting_for(shown, held)):
        faults += further
        found = {fault.file for fault in further}
        held |= {run.number for name, run in shown if name in found}
    ready = tuple(run for _, run in shown if run.number not in held)
    waiting = tuple(run for _, run in shown if run.number in held)
    if baseline is not None and all(run.configuration != baseline for run in ready):
        key = "campaign.baseline"
        if all(fault.key != key for fault in faults):
            problem = f"no run of the configuration {baseline!r} yet"
            faults.append(SheetFault("campaign.toml", key, problem, waits=True))
        baseline = None
    return Sorted(ready, waiting, baseline, tuple(faults))


def _waiting_for(shown: Sequence[tuple[str, Run]], held: set[str]) -> Iterator[SheetFault]:
    """Runs that would lose a zero with the runs held back."""
    for name, run in shown:
        if run.number in held:
            continue
        for key, number in (("zero_before", run.zero_before), ("zero_after", run.zero_after)):
            if number in held:
                problem = f"run {number!r} waits for another run itself"
                yield SheetFault(name, f"run.{key}", problem, waits=True)
