"""What the commands compute from their settings, step by step, for whoever runs them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from buffet.analysis import CampaignAnalysis, Progress, analyse
from buffet.comparing import require_baseline
from buffet.following import follow
from buffet.one_pass import FOR_LINES, AnalysisSettings, Keep
from buffet.parts import PartSettings
from buffet.peak_search import PeakSearch, all_peaks, shedding_peaks
from buffet.rating.rate import (
    FOR_RATING,
    Rating,
    RatingSettings,
    rate,
    rate_without_tunnel,
    require_rateable,
)
from buffet.run_spectra import run_result
from buffet.spectra_parts import RunParts, keeps, require_loads, require_names, with_parts
from buffet.tunnel_part import require_probes
from buffet.workers.choice import HERE, Workers
from ingest import Campaign, Run


@dataclass(frozen=True)
class RatingRecipe:
    """How a campaign is rated: what is asked, and what is taken out first."""

    settings: RatingSettings
    without_tunnel: bool = False
    without_lines: bool = False
    needs_baseline: bool = False
    with_sweep: bool = False  # peaks of the runs without wind are shown as well

    @property
    def keeps(self) -> frozenset[Keep]:
        """What the one pass must keep for it."""
        return FOR_RATING | (FOR_LINES if self.without_lines else frozenset())

    @property
    def peaks(self) -> PeakSearch:
        """Those that it will look for."""
        return shedding_peaks(
            without_tunnel=self.without_tunnel,
            without_lines=self.without_lines,
            wind_off=self.with_sweep,
        )

    def require(self, campaign: Campaign) -> None:
        """Refuse before any recording is read.

        Raises
        ------
        NotRateableError
            There is no [model], no wind-on run, or no baseline where one is needed.
        NoReferenceProbeError
            The tunnel's part is to be taken out of runs without a probe.
        """
        require_rateable(campaign)
        if self.needs_baseline:
            require_baseline(campaign)
        if self.without_tunnel:
            require_probes(campaign.runs)

    def prepared(self, analysis: CampaignAnalysis) -> CampaignAnalysis:
        """The analysis that is rated, without its lines where these are taken out."""
        return analysis.without_lines() if self.without_lines else analysis

    def rate(self, prepared: CampaignAnalysis, progress: Progress) -> Rating:
        """Rate what `prepared` gave; raises as `buffet.rate`."""
        how = rate_without_tunnel if self.without_tunnel else rate
        return how(prepared, self.settings, progress)


@dataclass(frozen=True)
class SpectraRecipe:
    """What is wanted of the spectra of a run, or of all."""

    number: str | None = None  # of a run; None: all
    words: tuple[str, ...] = ()  # parts
    resolution_hz: float | None = None  # None: chosen for the peaks
    parts: PartSettings = field(default_factory=PartSettings)
    without_tunnel: bool = False
    without_lines: bool = False

    def analysed(
        self, campaign: Campaign, progress: Progress, workers: Workers = HERE
    ) -> tuple[CampaignAnalysis, tuple[RunParts, ...]]:
        """Read the runs and find what is wanted of each.

        Raises
        ------
        UnknownRunError, UnknownQuantityError, LoadError, NoReferenceProbeError
            Before any recording is read.
        RecordTooShortError, TooCoarseError
            A record cannot give the resolution.
        """
        numbers = None if self.number is None else [campaign.run(self.number).number]
        self._require([r for r in campaign.runs if numbers is None or r.number in numbers])
        kept = keeps(self.words) | (FOR_LINES if self.without_lines else frozenset())
        settings = AnalysisSettings(self.resolution_hz, keeps=kept)
        peaks = all_peaks(without_tunnel=self.without_tunnel, without_lines=self.without_lines)
        analysis = analyse(campaign, numbers, settings, progress, workers=workers, prepare=peaks)
        if self.without_tunnel:
            analysis = analysis.without_tunnel()
        if self.without_lines:
            analysis = analysis.without_lines()
        speed = self.parts.road_speed_m_s
        results = follow(
            [run_result(run, road_speed_m_s=speed) for run in analysis.chosen(numbers)]
        )
        parts = replace(self.parts, cabin=campaign.vehicle.cabin if campaign.vehicle else None)
        return analysis, with_parts(results, self.words, parts, progress)

    def _require(self, runs: Sequence[Run]) -> None:
        loads = self.parts.loads
        named = [name for pair in self.parts.pairs for name in pair]
        require_names(runs, named + [load.quantity for load in loads])
        require_loads(runs, loads)
        if self.without_tunnel:
            require_probes(runs)
