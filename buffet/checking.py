"""`check`: read every recording once and list what speaks against trusting it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from buffet.analysis import Failure
from ingest import (
    SEVERITIES,
    Campaign,
    Finding,
    IngestError,
    Run,
    ZeroReading,
    flow_state,
    usable_to_hz,
)

# Road speed at which the usable band is judged, and the road frequencies a vertical criterion
# needs at least and wants altogether.
JUDGED_SPEED_M_S = 130 / 3.6
NEEDED_HZ = 8.0
WANTED_HZ = 20.0


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
    return findings + _band_findings(run, record.sample_rate_hz, named, campaign)


def _band_findings(
    run: Run, sample_rate_hz: float, means: Mapping[str, float], campaign: Campaign
) -> list[Finding]:
    """Resonances of the balance that cut the band a rating needs."""
    flow = flow_state(run, campaign.model, means)
    if flow is None or campaign.model is None:
        return []
    to_road = JUDGED_SPEED_M_S / flow.speed_m_s * campaign.model.scale
    findings = []
    for channel in run.channels:
        if channel.natural_frequency_hz is None or not channel.is_component:
            continue
        reach = usable_to_hz(channel, sample_rate_hz, run.antialias_cutoff_hz)
        road = reach * to_road
        if road >= WANTED_HZ:
            continue
        findings.append(
            Finding(
                "warning" if road < NEEDED_HZ else "note",
                "rig-resonance-in-band",
                run.number,
                channel.name,
                f"the balance's {channel.natural_frequency_hz:.4g} Hz limits this channel to "
                f"{reach:.3g} Hz, {road:.1f} Hz on the road at {JUDGED_SPEED_M_S * 3.6:.0f} km/h; "
                f"a vertical rating wants {WANTED_HZ:g} Hz and needs {NEEDED_HZ:g} Hz",
                "use a stiffer balance, a lower wind speed, or trust only the usable band",
            )
        )
    return findings
