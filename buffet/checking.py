"""`check`: read every recording once and list what speaks against trusting it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from buffet.analysis import CampaignAnalysis, Failure, analyse
from buffet.carrying import Carrying, carrying, not_read
from buffet.following import follow
from buffet.peak_search import checked_peaks, is_logged
from buffet.run_spectra import RunResult, run_result
from buffet.stated_resonance import stated_resonance_findings
from buffet.usable_band import JUDGED_SPEED_M_S
from buffet.workers.choice import HERE, Workers
from ingest import SEVERITIES, Campaign, Finding, IngestError, Run

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Checked:
    """What `check` found."""

    findings: tuple[Finding, ...]  # of all runs, worst first
    failed: tuple[Failure, ...]  # runs that could not be analysed
    carrying: tuple[Carrying, ...]  # of every wind-on run; none where the campaign has no model


def check(
    campaign: Campaign, progress: Progress = lambda text: None, workers: Workers = HERE
) -> Checked:
    """Read every run once; its findings, and whether it can carry a rating."""
    analysis = analyse(campaign, progress=progress, workers=workers, prepare=checked_peaks())
    results = tuple(_results(analysis, progress))
    verdicts = _verdicts(analysis, results)
    findings = [*analysis.findings, *campaign_findings(results)]
    for one in analysis.wind_off:
        progress(f"stated resonances of run {one.run.number}")
        findings += stated_resonance_findings(one)
    for failure in analysis.failed:
        findings += _unanalysed(campaign.run(failure.run))
    lost = {failure.run for failure in analysis.failed}
    findings += [one.finding for one in verdicts if one.finding and one.run not in lost]
    rank: Mapping[str, int] = {severity: i for i, severity in enumerate(SEVERITIES)}
    findings.sort(key=lambda finding: (rank[finding.severity], finding.run))
    return Checked(tuple(findings), analysis.failed, verdicts)


def _verdicts(analysis: CampaignAnalysis, results: tuple[RunResult, ...]) -> tuple[Carrying, ...]:
    campaign = analysis.campaign
    if campaign.model is None:
        return ()
    read = {result.analysis.run.number: result for result in results}
    blocks: dict[str | None, float] = defaultdict(float)
    for one in analysis.runs:
        blocks[one.run.configuration] += one.vertical.blocks
    return tuple(
        carrying(read[run.number], blocks[run.configuration])
        if run.number in read
        else not_read(run.number)
        for run in campaign.wind_on
    )


def campaign_findings(results: tuple[RunResult, ...]) -> tuple[Finding, ...]:
    """What only the runs together, or their peaks, can tell."""
    return tuple(finding for result in follow(results) for finding in result.rig)


def _results(analysis: CampaignAnalysis, progress: Progress) -> Iterator[RunResult]:
    """Every run with the peaks of its logged channels; those derived from them add nothing."""
    runs = analysis.chosen(None)
    for position, run in enumerate(runs, 1):
        progress(f"peaks of run {run.run.number} ({position} of {len(runs)})")
        yield run_result(run, partial(is_logged, run.run), JUDGED_SPEED_M_S)


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
