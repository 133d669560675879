"""The front page's own functions: what the commands do, with their choices made."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from buffet import analysis
from buffet.analysis import CampaignAnalysis, Progress
from buffet.one_pass import AnalysisSettings
from buffet.opening import open_campaign
from buffet.rating.rate import FOR_RATING
from ingest import Campaign


def analyse(
    campaign: Campaign | Path | str,
    numbers: Sequence[str] | None = None,
    settings: AnalysisSettings | None = None,
    progress: Progress = lambda text: None,
) -> CampaignAnalysis:
    """Read and reduce the runs of a campaign, opened or by its folder, for all that can follow.

    Parameters
    ----------
    numbers : run numbers, or None for all
    settings : None keeps what a rating needs besides spectra
    progress : called with one line before each run

    Raises
    ------
    NoCampaignError, SheetError
        The folder is no campaign, or its sheets have faults.
    RecordTooShortError, TooCoarseError
        A resolution was asked for that a record cannot give.
    """
    opened = campaign if isinstance(campaign, Campaign) else open_campaign(campaign)
    chosen = settings or AnalysisSettings(keeps=FOR_RATING)
    return analysis.analyse(opened, numbers, settings=chosen, progress=progress)
