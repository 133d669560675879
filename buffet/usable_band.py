"""What a run's sheet leaves of the band and of the wind that a rating needs."""

from __future__ import annotations

import math
from collections.abc import Iterator

from ingest import Finding, FlowState, Model, RigResponse, Run, inertia_findings

# Road speed at which the usable band is judged, and the road frequencies a vertical criterion
# needs at least and wants altogether.
JUDGED_SPEED_M_S = 130 / 3.6
NEEDED_FROM_HZ, NEEDED_HZ = 1.0, 8.0
WANTED_HZ = 20.0
# Stated against measured wind speed: 2 % is 4 % of every coefficient (engineering judgement).
WIND_TOLERANCE = 0.02


def band_findings(
    run: Run, rig: RigResponse, flow: FlowState | None, model: Model | None
) -> list[Finding]:
    """What cuts or colours the band, and a wind that is not what the sheet states."""
    return [
        *inertia_findings(run, model),
        *(_wind(run, flow) if flow is not None else ()),
        *(_resonances(run, rig, flow, model) if flow and model else ()),
    ]


def antialias_findings(run: Run, sample_rate_hz: float) -> Iterator[Finding]:
    """Of a stated filter that does not keep folding out, at the slowest rate that was logged."""
    cutoff_hz, nyquist_hz = run.antialias_cutoff_hz, sample_rate_hz / 2
    if cutoff_hz is not None and cutoff_hz >= nyquist_hz:
        yield Finding(
            "warning",
            "antialias-above-nyquist",
            run.number,
            None,
            f"the anti-alias filter's cutoff of {cutoff_hz:.4g} Hz does not lie below "
            f"{nyquist_hz:.4g} Hz, half the sample rate: what lies between folds down into the "
            "spectra.",
            "Sample faster or filter lower (0.4 of the sample rate is usual), or correct the "
            "sheet.",
        )


def _wind(run: Run, flow: FlowState) -> Iterator[Finding]:
    """Stated speeds that the speed used, measured where it can be, does not bear out."""
    is_measured = any(c.measures in ("dynamic pressure", "air speed") for c in run.channels)
    used = "is measured" if is_measured else "follows from the stated dynamic pressure"
    used_m_s = flow.uncorrected_speed_m_s
    for what, speed_m_s in _stated_speeds(run, flow.density_kg_m3):
        share = used_m_s / speed_m_s - 1
        if abs(share) > WIND_TOLERANCE:
            yield Finding(
                "warning",
                "wind-disagrees",
                run.number,
                None,
                f"the sheet's {what} gives {speed_m_s:.4g} m/s, but {used_m_s:.4g} m/s "
                f"{used} ({100 * share:+.2g} %); the latter is used.",
                "Find out which is right: every coefficient is wrong by twice as much, every "
                "Strouhal number by as much.",
            )
            return


def _stated_speeds(run: Run, density_kg_m3: float) -> Iterator[tuple[str, float]]:
    """U as stated, or of q = ½ ρ U²."""
    if run.air.speed_m_s is not None:
        yield "speed", run.air.speed_m_s
    if run.air.dynamic_pressure_pa is not None:
        yield "dynamic pressure", math.sqrt(2 * run.air.dynamic_pressure_pa / density_kg_m3)


def _resonances(run: Run, rig: RigResponse, flow: FlowState, model: Model) -> Iterator[Finding]:
    """Resonances of the balance that cut the band a rating needs."""
    to_road = JUDGED_SPEED_M_S / flow.speed_m_s * model.scale
    for channel in run.channels:
        if channel.natural_frequency_hz is None or not channel.is_component:
            continue
        reach = rig.usable_to_hz(channel)
        road = reach * to_road
        if road >= WANTED_HZ:
            continue
        yield Finding(
            "warning" if road < NEEDED_HZ else "note",
            "rig-resonance-in-band",
            run.number,
            channel.name,
            f"the balance's {channel.natural_frequency_hz:.4g} Hz limits this channel to "
            f"{reach:.3g} Hz, {road:.1f} Hz on the road at {JUDGED_SPEED_M_S * 3.6:.0f} km/h; "
            f"a vertical rating wants {WANTED_HZ:g} Hz and needs {NEEDED_HZ:g} Hz.",
            "Use a stiffer balance or a lower wind speed, or trust the usable band alone.",
        )
