"""The JSON document of `resonance`."""

from __future__ import annotations

from buffet.documents import failures
from buffet.json_values import Document, interval
from buffet.resonance.estimate import CampaignResonance
from buffet.resonance.result import AMPLITUDE_ERRORS, ChannelResonance, Mode, RunResonance


def resonance_document(found: CampaignResonance) -> Document:
    """What `resonance` prints as JSON."""
    return {
        "format": "buffet/resonance",
        "version": 1,
        "runs": [_run(run) for run in found.runs],
        "failed": failures(found.failed),
    }


def _run(run: RunResonance) -> Document:
    return {
        "run": run.run.number,
        "kind": run.kind,
        "duration_s": run.duration_s,
        "segment_s": run.segment_s,
        "strikes_s": list(run.strikes_s),
        "shared_modes": [{"frequency_hz": hz, "channels": list(names)} for hz, names in run.groups],
        "channels": [_channel(run, one) for one in run.channels],
    }


def _channel(run: RunResonance, one: ChannelResonance) -> Document:
    mode, change = one.strongest, one.change
    reached = {f"{error:g}": run.reached_hz(one, error) for error in AMPLITUDE_ERRORS}
    return {
        "name": one.channel.name,
        "measures": one.channel.measures,
        "natural_frequency_hz": interval(mode.natural_frequency_hz) if mode else None,
        "damping": interval(mode.damping) if mode else None,
        "why": one.why or None,
        "modes": [_mode(mode) for mode in one.modes],
        "strikes": one.strikes if one.kind == "tap" else None,
        "left_out": [{"time_s": strike.time_s, "why": strike.why} for strike in one.left_out],
        "explained": one.explained,
        "damping_by_decrement": one.decrement,
        "late_over_early": None
        if change is None
        else {"frequency": interval(change.frequency), "damping": interval(change.damping)},
        "no_resonance": list(one.lines),
        "stated": {
            "natural_frequency_hz": one.channel.natural_frequency_hz,
            "damping": one.channel.damping,
            "agrees": one.agrees,
        },
        "amplitude_error_reached_hz": reached,
        "corrected_to_hz": run.corrected_to_hz(one),
    }


def _mode(mode: Mode) -> Document:
    return {
        "natural_frequency_hz": interval(mode.natural_frequency_hz),
        "damping": interval(mode.damping),
        "share": mode.share,
    }
