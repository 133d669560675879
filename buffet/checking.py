"""`check`: read every recording once and list what speaks against trusting it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial

from buffet.analysis import CampaignAnalysis, Failure, analyse
from buffet.following import follow
from buffet.run_spectra import RunResult, run_result
from ingest import SEVERITIES, Campaign, Finding, IngestError, Quantity, Run

Progress = Callable[[str], None]


def check(
    campaign: Campaign, progress: Progress = lambda text: None
) -> tuple[tuple[Finding, ...], tuple[Failure, ...]]:
    """Findings of all runs, worst first, and the runs that could not be analysed."""
    analysis = analyse(campaign, progress=progress)
    findings = [*analysis.findings, *campaign_findings(tuple(_results(analysis, progress)))]
    for failure in analysis.failed:
        findings += _unanalysed(campaign.run(failure.run))
    rank: Mapping[str, int] = {severity: i for i, severity in enumerate(SEVERITIES)}
    findings.sort(key=lambda finding: (rank[finding.severity], finding.run))
    return tuple(findings), analysis.failed


def campaign_findings(results: tuple[RunResult, ...]) -> tuple[Finding, ...]:
    """What only the runs together, or their peaks, can tell."""
    return tuple(finding for result in follow(results) for finding in result.rig)


def _results(analysis: CampaignAnalysis, progress: Progress) -> Iterator[RunResult]:
    """Every run with the peaks of its logged channels; those derived from them add nothing."""
    runs = analysis.chosen(None)
    for position, run in enumerate(runs, 1):
        progress(f"peaks of run {run.run.number} ({position} of {len(runs)})")
        yield run_result(run, partial(_is_logged, run.run))


def _is_logged(run: Run, quantity: Quantity) -> bool:
    return quantity.name in {channel.name for channel in run.channels}


def _unanalysed(run: Run) -> list[Finding]:
    """What the samples of a run say that no spectrum could be made of; none if it is damaged.

    They often say why: a wrong unit of time, say. Zeros are not looked at.
    """
    try:
        record = run.open()
        for _ in record.blocks():
            pass
        return [finding for finding in record.findings if not finding.code.startswith("zero-")]
    except IngestError:
        return []
