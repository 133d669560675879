"""The front page's own functions: what the commands do, with their choices made."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from buffet import analysis
from buffet.analysis import CampaignAnalysis, Progress
from buffet.one_pass import AnalysisSettings
from buffet.opening import open_campaign
from buffet.peak_search import shedding_peaks
from buffet.rating.rate import FOR_RATING
from buffet.workers.choice import HERE, Workers
from ingest import Campaign


def analyse(
    campaign: Campaign | Path | str,
    numbers: Sequence[str] | None = None,
    settings: AnalysisSettings | None = None,
    progress: Progress = lambda text: None,
    *,
    workers: int | None = 1,
    memory_bytes: float | None = None,
    cluster: str | None = None,
) -> CampaignAnalysis:
    """Read and reduce the runs of a campaign, opened or by its folder, for all that can follow.

    Parameters
    ----------
    numbers : run numbers, or None for all
    settings : None keeps what a rating needs besides spectra
    progress : called with one line before each run
    workers : processes that read runs; None for one a core where there are many runs. Several
        find the peaks that a rating asks for as well.
    memory_bytes : that they may take together; None for half of what is free
    cluster : address of a Dask scheduler whose workers read the runs instead

    Raises
    ------
    NoCampaignError, SheetError
        The folder is no campaign, or its sheets have faults.
    RecordTooShortError, TooCoarseError
        A resolution was asked for that a record cannot give.
    ClusterError, WorkerError
        The cluster, or processes here, cannot be reached or used.
    TypeError, ValueError
        There is no worker, or no memory, or both processes and a cluster are asked for.
    """
    who = Workers(workers, memory_bytes, cluster)
    opened = campaign if isinstance(campaign, Campaign) else open_campaign(campaign)
    chosen = settings or AnalysisSettings(keeps=FOR_RATING)
    # Here they are fitted when they are asked for, which may be never.
    peaks = None if who == HERE else shedding_peaks(wind_off=True)
    return analysis.analyse(opened, numbers, chosen, progress, workers=who, prepare=peaks)
