"""`check`: read every recording once and list what speaks against trusting it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from buffet.analysis import Failure
from buffet.usable_band import band_findings
from ingest import (
    SEVERITIES,
    Campaign,
    Finding,
    IngestError,
    Run,
    ZeroReading,
    flow_state,
)


def check(
    campaign: Campaign, progress: Callable[[str], None] = lambda text: None
) -> tuple[tuple[Finding, ...], tuple[Failure, ...]]:
    """Findings of all runs, worst first, and the runs that could not be read."""
    zeros: dict[str, ZeroReading] = {}
    findings: list[Finding] = []
    failed: list[Failure] = []
    runs = (*campaign.wind_off, *campaign.wind_on)
    for position, run in enumerate(runs, 1):
        progress(f"run {run.number} ({position} of {len(runs)})")
        try:
            findings += _read(run, zeros, campaign)
        except IngestError as error:
            failed.append(Failure(run.number, str(error)))
    rank: Mapping[str, int] = {severity: i for i, severity in enumerate(SEVERITIES)}
    findings.sort(key=lambda finding: (rank[finding.severity], finding.run))
    return tuple(findings), tuple(failed)


def _read(run: Run, zeros: dict[str, ZeroReading], campaign: Campaign) -> list[Finding]:
    record = run.open(zeros if run.kind == "wind-on" else None)
    total, count = np.zeros(len(record.channels)), 0
    for block in record.blocks():
        total += block.sum(axis=1)
        count += block.shape[1]
    findings = list(record.findings)
    means = total / max(count, 1)
    if run.kind == "wind-off":
        zeros[run.number] = record.zero_reading(list(means), count)
        return findings
    named = dict(zip((c.name for c in record.channels), means, strict=True))
    flow = flow_state(run, campaign.model, named)
    return findings + band_findings(run, record.sample_rate_hz, flow, campaign.model)
