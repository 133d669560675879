"""What a reader of a verdict should know besides: lines, yaw, assumptions, runs left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.peak_classes import PeakClass
from buffet.phrases import by_reason, listed
from buffet.rating.configuration import ConfigurationCurves
from buffet.rating.yaw_mix import YawAtSpeed
from buffet.rig_findings import above_noise
from buffet.run_spectra import RunResult
from buffet.spectral.tracks import FIXED
from buffet.tunnel_part import tunnel_part

# Share of the lift's variance from which a pure line is told, and one from which a resonance is:
# five percent of the RMS (engineering judgement).
TOLD_SHARE = 0.05
RESONANCE_SHARE = 0.1
LEAST_TOLD = 0.005  # share of the time
KM_H = 3.6
NOT_RATED = "side motion is not rated"
ASSUMPTIONS = {
    "pitch moment": "lift is taken to act at mid-wheelbase",
    "drag": "its moment about the centre of gravity is left out",
    "side force": NOT_RATED,
    "yaw moment": NOT_RATED,
    "roll moment": "roll is that of the side force alone",
}


def remarks(
    curves: ConfigurationCurves,
    analysis: CampaignAnalysis,
    results: Sequence[RunResult],
    wind: YawAtSpeed | None,
    speed_m_s: float,
) -> tuple[str, ...]:
    """Sentences, in the order in which they matter; `wind` is what is mixed at the road speed."""
    found = (
        _wind(curves, wind, speed_m_s),
        _lines(curves, results),
        _resonance(curves, results),
        _tunnel(curves),
        _missing(curves),
        _other_yaw(curves, analysis),
        _lost(curves.name, analysis),
    )
    return tuple(text for text in found if text)


def _tunnel(curves: ConfigurationCurves) -> str:
    """What of the lift follows the reference probes, over all runs that have one."""
    lift = [(run, run.fluctuation("lift")) for run in curves.runs]
    parts = [tunnel_part(run, index) for run, index in lift if index is not None]
    told = [part for part in parts if part is not None and part.rms_as_read is not None]
    if not told:
        return ""
    read, rest = (
        float(np.mean([rms.value**2 if rms else 0.0 for rms in found]))
        for found in ([p.rms_as_read for p in told], [p.rms_without for p in told])
    )
    out = any(run.as_read is not None for run in curves.runs)
    action = "is taken out" if out else "counts here (--without-tunnel takes it out)"
    return (
        f"{max(1 - rest / read, 0.0):.0%} of the lift's variance follows the reference probe in "
        f"the oncoming flow and {action}: lift RMS {np.sqrt(read):#.2g} with it, "
        f"{np.sqrt(rest):#.2g} without."
    )


def _missing(curves: ConfigurationCurves) -> str:
    if curves.seat is None or not curves.missing:
        return ""
    words = by_reason((ASSUMPTIONS[word], word) for word in curves.missing)
    if NOT_RATED in words:  # nothing is then to be said of roll
        words = {why: own for why, own in words.items() if own != ["roll moment"]}
    return f"Not measured: {', '.join(f'{listed(own)} ({why})' for why, own in words.items())}."


def _lines(curves: ConfigurationCurves, results: Sequence[RunResult]) -> str:
    """Pure lines in lift: more likely of fan, mains or rig than of the wake, yet they count."""
    told = _largest(curves, results, narrow=True)
    if told is None or told.share < TOLD_SHARE:
        return ""
    source = told.kind.source
    cause = f"matches {source}" if source else "may be the fan's, the mains' or the rig's"
    return (
        f"A pure line holds up to {told.share:.0%} of the lift's variance "
        f"({told.frequency_hz:.1f} Hz in run {told.run}); it counts here, but {cause}."
    )


def _resonance(curves: ConfigurationCurves, results: Sequence[RunResult]) -> str:
    """Broad peaks in lift that keep their frequency over the wind speeds."""
    told = _largest(curves, results, narrow=False)
    if told is None or told.share < RESONANCE_SHARE:
        return ""
    return (
        f"A resonance of the rig holds up to {told.share:.0%} of the lift's variance "
        f"({told.frequency_hz:.1f} Hz in run {told.run}, as at other wind speeds); it counts "
        "here, but the car on the road does not have it."
    )


@dataclass(frozen=True)
class _Told:
    """A peak of the lift with its share of the variance."""

    share: float
    frequency_hz: float
    run: str
    kind: PeakClass


def _largest(
    curves: ConfigurationCurves, results: Sequence[RunResult], *, narrow: bool
) -> _Told | None:
    """The line, or the broad peak of fixed frequency, that holds most of a run's lift."""
    own = {run.run.number for run in curves.runs}
    told = [
        _Told(
            min(above_noise(quantity, peak) / quantity.rms.value**2, 1.0),
            peak.frequency_hz.value,
            result.analysis.run.number,
            kind,
        )
        for result in results
        if result.analysis.run.number in own
        for quantity in result.quantities
        if quantity.quantity.measures == "lift" and quantity.rms is not None
        for peak, kind in quantity.followed
        if kind.narrow == narrow and (narrow or kind.name == FIXED)
    ]
    return max(told, key=lambda one: one.share, default=None)


def _wind(curves: ConfigurationCurves, mixed: YawAtSpeed | None, speed_m_s: float) -> str:
    """What of the wind the yaw angles run stand for."""
    wind = curves.setting.wind
    if wind is None:
        return ""
    if mixed is None:
        yaw = np.degrees(abs(curves.runs[0].run.yaw_rad))
        return f"Run at one yaw angle only ({yaw:.3g} deg), so it is rated in still air."
    angles = ", ".join(f"{one:g}" for one in mixed.yaw_deg)
    shares = ", ".join(f"{100 * one:.0f}" for one in mixed.shares)
    text = f"In {wind.text}: yaw {angles} deg with shares {shares} % at {speed_m_s * KM_H:.0f} km/h"
    if mixed.share_beyond >= LEAST_TOLD:
        text += f"; {100 * mixed.share_beyond:.0f} % of the time beyond, taken as there"
    return f"{text}."


def _other_yaw(curves: ConfigurationCurves, analysis: CampaignAnalysis) -> str:
    rated = {run.run.number for run in curves.runs}
    others = sorted(
        {
            round(float(np.degrees(run.run.yaw_rad)), 1)
            for run in analysis.of(curves.name)
            if run.run.number not in rated
        }
    )
    if not others:
        return ""
    angles = ", ".join(f"{one:g}" for one in others)
    return f"Runs at other yaw angles ({angles} deg) are not rated: still air is assumed."


def _lost(name: str, analysis: CampaignAnalysis) -> str:
    own = {run.number for run in analysis.campaign.wind_on if run.configuration == name}
    lost = [failure.run for failure in analysis.failed if failure.run in own]
    return f"Not read: run {', '.join(lost)}." if lost else ""
