"""What the balance's resonances leave of the band that a rating needs."""

from __future__ import annotations

from ingest import Finding, FlowState, Model, Run, usable_to_hz

# Road speed at which the usable band is judged, and the road frequencies a vertical criterion
# needs at least and wants altogether.
JUDGED_SPEED_M_S = 130 / 3.6
NEEDED_HZ = 8.0
WANTED_HZ = 20.0


def band_findings(
    run: Run, sample_rate_hz: float, flow: FlowState | None, model: Model | None
) -> list[Finding]:
    """Resonances of the balance that cut the band a rating needs."""
    if flow is None or model is None:
        return []
    to_road = JUDGED_SPEED_M_S / flow.speed_m_s * model.scale
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
                f"a vertical rating wants {WANTED_HZ:g} Hz and needs {NEEDED_HZ:g} Hz.",
                "Use a stiffer balance or a lower wind speed, or trust the usable band alone.",
            )
        )
    return findings
