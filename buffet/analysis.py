"""The one recipe: every run of a campaign, read once, reduced to spectra with uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from buffet.blockage import CampaignBlockage
from buffet.one_pass import AnalysisSettings
from buffet.one_run import Failure as Failure
from buffet.one_run import Prepare, Reading
from buffet.one_run import RunRead as RunRead
from buffet.record_findings import length_findings
from buffet.run_analysis import RunAnalysis
from buffet.shown import Shown
from buffet.spectral.resolution import segment_for_peaks_s
from buffet.tunnel_part import all_without_tunnel
from buffet.workers.choice import HERE, Workers
from buffet.workers.crew import Crew, in_order
from buffet.workers.hire import crew
from ingest import Campaign, Finding, Run, flow_state

Progress = Callable[[str], None]


@dataclass(frozen=True)
class CampaignAnalysis(Shown):
    """All runs of a campaign that could be read, and those that could not."""

    campaign: Campaign
    runs: tuple[RunAnalysis, ...]  # wind-on
    wind_off: tuple[RunAnalysis, ...]
    failed: tuple[Failure, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of all runs."""
        every = (*self.wind_off, *self.runs)
        own = (finding for run in every for finding in run.findings)
        return (*own, *length_findings(every))

    @property
    def blockage(self) -> CampaignBlockage:
        """How it is corrected in all wind-on runs."""
        return CampaignBlockage.of(self.campaign, [run.flow for run in self.runs])

    def chosen(self, numbers: Sequence[str] | None) -> tuple[RunAnalysis, ...]:
        """Runs of the numbers asked for, or all, in the campaign's order."""
        every = {run.run.number: run for run in (*self.wind_off, *self.runs)}
        wanted = [run.number for run in self.campaign.runs if run.number in every]
        return tuple(every[n] for n in wanted if numbers is None or n in numbers)

    def without_tunnel(self) -> CampaignAnalysis:
        """The wind-on runs without what follows their reference probes.

        Raises
        ------
        NoReferenceProbeError
            A run's probe never changed, or its record is too short for it.
        """
        return replace(self, runs=all_without_tunnel(self.runs))

    def without_lines(self) -> CampaignAnalysis:
        """All runs without their lines, which the pass must have kept tapers for."""
        runs, wind_off = (
            tuple(run.without_lines for run in runs) for runs in (self.runs, self.wind_off)
        )
        return replace(self, runs=runs, wind_off=wind_off)

    def of(self, configuration: str) -> tuple[RunAnalysis, ...]:
        """Runs of one configuration."""
        return tuple(run for run in self.runs if run.run.configuration == configuration)


class Store(Protocol):
    """Where runs that were read before are found again."""

    def find(self, run: Run, wanted_s: float | None) -> RunRead | None:
        """None where it was not, or is another by now."""

    def keep(self, run: Run, wanted_s: float | None, read: RunRead) -> None:
        """For the next time; `wanted_s` is the segment length that was wanted."""


def analyse(
    campaign: Campaign,
    numbers: Sequence[str] | None = None,
    settings: AnalysisSettings | None = None,
    progress: Progress = lambda text: None,
    store: Store | None = None,
    *,
    workers: Workers = HERE,
    prepare: Prepare | None = None,
) -> CampaignAnalysis:
    """Read and reduce runs; the wind-off runs that wind-on ones refer to come first.

    Parameters
    ----------
    numbers : run numbers, or None for all
    progress : called with one line before each run
    store : runs that were read before; None reads all
    workers : who reads the runs; the results are the same whoever does
    prepare : works out of each run what will be asked of it, where it is read

    Raises
    ------
    RecordTooShortError, TooCoarseError
        A resolution was asked for that a record cannot give.
    ClusterError, WorkerError
        The cluster, or processes here, cannot be reached or used.
    """
    settings = settings or AnalysisSettings()
    reading = Reading(campaign, settings, _wanted_segment_s(campaign, settings), prepare)
    wind_off, wind_on = _steps(campaign, numbers)
    order = {run.number: place for place, run in enumerate((*wind_off, *wind_on), 1)}

    def started(run: Run) -> None:
        progress(f"run {run.number} ({order[run.number]} of {len(order)})")

    with crew(workers, reading, len(order)) as hands:
        off = _read(hands, reading, wind_off, {}, started, store)
        read_off = {run: one for run, one in off.items() if not isinstance(one, Failure)}
        on = _read(hands, reading, wind_on, read_off, started, store)
    every = (*off.values(), *on.values())
    return CampaignAnalysis(
        campaign,
        tuple(one[0] for one in on.values() if not isinstance(one, Failure)),
        tuple(run for run, _ in read_off.values()),
        tuple(one for one in every if isinstance(one, Failure)),
    )


def _steps(campaign: Campaign, numbers: Sequence[str] | None) -> tuple[list[Run], list[Run]]:
    """Wind-off runs that were chosen or that chosen ones refer to, and the wind-on runs."""
    chosen = [run for run in campaign.runs if numbers is None or run.number in numbers]
    wind_on = [run for run in chosen if run.kind == "wind-on"]
    needed = {number for run in wind_on for number in run.zero_runs}
    needed |= {run.number for run in chosen if run.kind == "wind-off"}
    return [run for run in campaign.wind_off if run.number in needed], wind_on


def _read(
    hands: Crew,
    reading: Reading,
    runs: Sequence[Run],
    off: Mapping[str, RunRead],
    started: Callable[[Run], None],
    store: Store | None,
) -> dict[str, RunRead | Failure]:
    """What was read of each run, or why it was not, in the order of the runs."""
    found: dict[str, RunRead | Failure] = {}
    for run in runs:
        known = None if store is None else store.find(run, reading.wanted_s)
        if known is not None:
            started(run)
            found[run.number] = known
    missing = [run for run in runs if run.number not in found]
    for run, outcome in in_order(missing, hands.read(missing, off, started)):
        if isinstance(outcome, Exception):
            raise outcome
        if store is not None and not isinstance(outcome, Failure):
            store.keep(run, reading.wanted_s, outcome)
        found[run.number] = outcome
    return {run.number: found[run.number] for run in runs}


def _wanted_segment_s(campaign: Campaign, settings: AnalysisSettings) -> float | None:
    """One segment length for the campaign, so that noise and signal share their bins."""
    if settings.resolution_hz is not None:
        return 1 / settings.resolution_hz
    model = campaign.model
    flows = [flow_state(run, model, {}) for run in campaign.wind_on]
    speeds = [flow.speed_m_s for flow in flows if flow is not None]
    if model is None or not speeds:
        return None
    return segment_for_peaks_s(model.strouhal_length_m, min(speeds))
