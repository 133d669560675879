"""What the tunnel's own unsteadiness holds of a run, by its probes in the oncoming flow."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from buffet.errors import NoReferenceProbeError
from buffet.interval import Interval
from buffet.run_analysis import RunAnalysis
from buffet.spectral.uncertainty import half_value, half_width, log_estimate
from ingest import PROBE, Run

Array = NDArray[np.float64]

NOTHING_FOLLOWS = "nothing rises above what an unrelated probe would show"


@dataclass(frozen=True)
class TunnelPart:
    """What of one quantity follows the reference probes, wind-off noise removed."""

    rms: Interval | None  # None where nothing does
    # Of the variance; an unrelated probe scatters around zero, below it too. None: all is noise.
    share: Interval | None
    rms_as_read: Interval | None
    rms_without: Interval | None
    coherence: Array  # (n,), over the usable bins, not corrected for chance


def tunnel_part(run: RunAnalysis, index: int) -> TunnelPart | None:
    """One quantity's part; None for a probe itself and where no probe tells.

    By differences of bootstrap samples of the run with and without it, from the same resamples.
    """
    read = run.as_read or run
    without, follows = read.without_tunnel, read.follows
    is_probe = run.signal.quantities[index].measures == PROBE
    if is_probe or without is None or follows is None or run.dead[index]:
        return None
    total, rest = read.total_samples[:, index], without.total_samples[:, index]
    blocks = read.resampling(index).blocks
    return TunnelPart(
        part_rms(total - rest, blocks),
        part_share(total - rest, total, blocks),
        part_rms(total, blocks),
        part_rms(rest, blocks),
        follows.coherence[index, read.signal.usable_bins[index]],
    )


def part_rms(samples: Array, blocks: float) -> Interval | None:
    """RMS of bootstrap samples of a variance; None where there is none."""
    estimate = half_value(log_estimate(samples, blocks))
    return estimate.interval() if estimate.value > 0 and np.isfinite(estimate.spread) else None


def part_share(part: Array, total: Array, blocks: float) -> Interval | None:
    """Of a variance, from bootstrap samples of both; None where there is no variance.

    On its own scale, since it may lie below zero; Student's t like all other intervals.
    """
    if not total[0] > 0:
        return None
    estimate = log_estimate(part / np.where(total > 0, total, total[0]), blocks)
    assert estimate.linear is not None
    value = float(estimate.linear.value)
    half = float(half_width(estimate.linear.deviation**2, estimate.freedom))
    return Interval(value, value - half, value + half)


def require_probes(runs: Iterable[Run]) -> None:
    """Refuse to take the tunnel's part out before any recording is read.

    Raises
    ------
    NoReferenceProbeError
        A wind-on run has no reference probe.
    """
    lost = {
        run.number: "there is no reference probe"
        for run in runs
        if run.kind == "wind-on" and all(channel.measures != PROBE for channel in run.channels)
    }
    if lost:
        raise NoReferenceProbeError(lost)


def all_without_tunnel(runs: tuple[RunAnalysis, ...]) -> tuple[RunAnalysis, ...]:
    """Every wind-on run without the tunnel's part; wind-off runs as they are.

    Raises
    ------
    NoReferenceProbeError
        A probe never changed, or a record is too short for it.
    """
    wind_on = [run for run in runs if run.run.kind == "wind-on"]
    lost = {run.run.number: run.no_probe_why for run in wind_on if run.no_probe_why is not None}
    if lost:
        raise NoReferenceProbeError(lost)
    return tuple(run.without_tunnel or run for run in runs)
