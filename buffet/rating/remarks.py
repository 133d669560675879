"""What a reader of a verdict should know besides: lines, yaw, assumptions, runs left out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from buffet.analysis import CampaignAnalysis
from buffet.rating.configuration import ConfigurationCurves
from buffet.rating.scatter import SAME_YAW_RAD
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult

# Share of the lift's variance from which a pure line is told.
TOLD_SHARE = 0.05
ASSUMPTIONS = {
    "pitch moment": "lift is taken to act at mid-wheelbase",
    "drag": "its moment about the centre of gravity is left out",
}


def rated_runs(analysis: CampaignAnalysis, name: str) -> tuple[RunAnalysis, ...]:
    """Runs of a configuration at its smallest angle of yaw."""
    runs = analysis.of(name)
    least = min((abs(run.run.yaw_rad) for run in runs), default=0.0)
    return tuple(run for run in runs if abs(abs(run.run.yaw_rad) - least) <= SAME_YAW_RAD)


def remarks(
    curves: ConfigurationCurves, analysis: CampaignAnalysis, results: Sequence[RunResult]
) -> tuple[str, ...]:
    """Sentences, in the order in which they matter."""
    found = (
        _lines(curves, results),
        _missing(curves),
        _yaw(curves, analysis),
        _lost(curves.name, analysis),
    )
    return tuple(text for text in found if text)


def _missing(curves: ConfigurationCurves) -> str:
    if curves.seat is None or not curves.missing:
        return ""
    parts = [f"{word} ({ASSUMPTIONS[word]})" for word in curves.missing]
    return f"Not measured: {', '.join(parts)}."


def _lines(curves: ConfigurationCurves, results: Sequence[RunResult]) -> str:
    """Pure lines in lift: more likely of fan, mains or rig than of the wake, yet they count."""
    told = []
    own = {run.run.number for run in curves.runs}
    for result in results:
        if result.analysis.run.number not in own:
            continue
        for quantity in result.quantities:
            if quantity.quantity.measures != "lift" or quantity.rms is None:
                continue
            for peak in quantity.peaks:
                share = (peak.rms.value / quantity.rms.value) ** 2
                if peak.kind == "line" and share >= TOLD_SHARE:
                    told.append((share, peak.frequency_hz.value, result.analysis.run.number))
    if not told:
        return ""
    share, frequency_hz, run = max(told)
    return (
        f"A pure line holds up to {min(share, 1.0):.0%} of the lift's variance ({frequency_hz:.1f} "
        f"Hz in run {run}); it counts here, but may be the fan's, the mains' or the rig's."
    )


def _yaw(curves: ConfigurationCurves, analysis: CampaignAnalysis) -> str:
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
    return f"Runs at other yaw angles ({', '.join(f'{a:g}' for a in others)} deg) are not rated."


def _lost(name: str, analysis: CampaignAnalysis) -> str:
    own = {run.number for run in analysis.campaign.wind_on if run.configuration == name}
    lost = [failure.run for failure in analysis.failed if failure.run in own]
    return f"Not read: run {', '.join(lost)}." if lost else ""
