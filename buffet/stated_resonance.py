"""Stated resonances against what a record without wind shows around them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buffet.resonance.ambient import ambient_modes, logged_to_hz
from buffet.resonance.result import Mode, agrees
from buffet.run_analysis import RunAnalysis
from ingest import Channel, Finding

# Of a stated natural frequency: where a rig that was put together otherwise may ring instead
# (engineering judgement: half the mass or twice the stiffness move it by 40 %).
LOOKED_AT = (0.5, 1.6)


def stated_resonance_findings(analysis: RunAnalysis) -> tuple[Finding, ...]:
    """Channels of a wind-off run that ring near, but not at, the frequency their sheet states.

    Looked for in the spectra as logged, since a stated resonance is taken out up to 0.8 of its
    frequency and not used beyond. A record that shows none says nothing.
    """
    if analysis.run.kind != "wind-off" or analysis.run.excitation is not None:
        return ()
    return tuple(
        _finding(analysis.run.number, channel, mode)
        for index, channel in enumerate(analysis.run.channels)
        for mode in _elsewhere(analysis, index, channel)
    )


def _elsewhere(analysis: RunAnalysis, index: int, channel: Channel) -> Iterator[Mode]:
    """The strongest mode where none is the stated one."""
    stated_hz = channel.natural_frequency_hz
    if stated_hz is None:
        return
    spectra = analysis.spectra
    low, high = (share * stated_hz for share in LOOKED_AT)
    first = int(np.searchsorted(spectra.frequency_hz, low))
    found = ambient_modes(
        channel,
        spectra.frequency_hz[first:],
        spectra.psd[index, first:],
        spectra.effective_segments,
        min(high, logged_to_hz(analysis.run, channel, analysis.sample_rate_hz)),
        analysis.run.rotation,
    )
    if found.modes and not any(agrees(m.natural_frequency_hz, stated_hz) for m in found.modes):
        yield found.modes[0]


def _finding(run: str, channel: Channel, mode: Mode) -> Finding:
    return Finding(
        "warning",
        "resonance-disagrees",
        run,
        channel.name,
        f"without wind it rings at {mode.natural_frequency_hz.text()} Hz, damping "
        f"{mode.damping.text()}, and not at the {channel.natural_frequency_hz:.4g} Hz that the "
        "sheet states",
        "measure natural_frequency and damping of this channel afresh, by a tap test: what is "
        "stated is taken out at the wrong frequency",
    )
