"""Whether a run's record can carry a vertical rating at the usual road speed, and why not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from buffet.bands import BEYOND, BandRms
from buffet.noise_floor import ONLY_NOISE
from buffet.road_speed import RoadBand
from buffet.run_analysis import RunAnalysis
from buffet.run_spectra import RunResult
from buffet.spectral.uncertainty import FEWEST_BLOCKS
from buffet.usable_band import JUDGED_SPEED_M_S, NEEDED_FROM_HZ, NEEDED_HZ
from ingest import Finding

# Below this the noise is larger than the signal: what is left is the difference of two numbers
# larger than itself (engineering judgement).
LEAST_DECIBELS = 0.0
# Of the signal's variance, in an octave: a noise known no better moves the RMS by a tenth, as much
# as a usual confidence interval (engineering judgement).
MOST_NOISE_SCATTER = 0.2
NEEDED = ("lift", "pitch moment")  # of the seat's motion; of the axles' loads too

CarryingVerdict = Literal["carries", "carries in part", "does not carry"]

NOT_READ = "the run could not be read"
RATING = f"a vertical rating at {JUDGED_SPEED_M_S * 3.6:.0f} km/h"


@dataclass(frozen=True)
class Carrying:
    """Verdict on one wind-on run, with a reason for each thing that it lacks."""

    run: str
    verdict: CarryingVerdict
    why: tuple[str, ...]
    advice: tuple[str, ...]  # one each

    @property
    def finding(self) -> Finding | None:
        """What `check` tells; None where the run carries.

        No error, since a record may serve for more than a rating at that speed.
        """
        if self.verdict == "carries":
            return None
        in_part = self.verdict == "carries in part"
        said = f"carries {RATING} in part" if in_part else f"does not carry {RATING}"
        return Finding(
            "note" if in_part else "warning",
            "carries-rating-in-part" if in_part else "cannot-carry-rating",
            self.run,
            None,
            f"the record {said}: {'; '.join(self.why)}",
            "; ".join(dict.fromkeys(self.advice)),
        )


@dataclass(frozen=True)
class _Lack:
    why: str
    advice: str
    fatal: bool = False


def carrying(result: RunResult, pooled_blocks: float) -> Carrying:
    """Judge one wind-on run of a campaign with a model.

    Parameters
    ----------
    result : with its bands in road hertz at `JUDGED_SPEED_M_S`
    pooled_blocks : independent blocks of its vertical components, over all runs of its
        configuration, since a verdict pools them
    """
    run = result.analysis
    lacks = list(_lacks(result, pooled_blocks))
    verdict: CarryingVerdict = "carries in part" if lacks else "carries"
    if any(lack.fatal for lack in lacks):
        verdict = "does not carry"
    return Carrying(
        run.run.number,
        verdict,
        tuple(lack.why for lack in lacks),
        tuple(lack.advice for lack in lacks),
    )


def not_read(run: str) -> Carrying:
    """Of a run that could not be analysed."""
    return Carrying(run, "does not carry", (NOT_READ,), ("see why it failed",))


def _lacks(result: RunResult, pooled_blocks: float) -> Iterator[_Lack]:
    run = result.analysis
    lift = run.fluctuation("lift")
    yield from _damage(run)
    if run.flow is None:
        yield _Lack("no wind speed is known", "state or log the wind", fatal=True)
        return
    if lift is None:
        yield _Lack(
            "lift was not measured, or a channel behind it never changed",
            _lift_from(run),
            fatal=True,
        )
        return
    if run.fluctuation("pitch moment") is None:
        yield _Lack(
            "without a pitch moment the rear axle's load is not rated",
            "log the pitch moment, or front and rear lift",
        )
    yield from _band(run)
    if pooled_blocks < FEWEST_BLOCKS:
        yield _Lack(
            f"all runs of its configuration hold {pooled_blocks:.2g} independent stretches, a "
            f"verdict needs {FEWEST_BLOCKS}",
            "record for longer, or repeat it: runs of one configuration count together",
            fatal=True,
        )
    octaves = [b for b in result.quantities[lift].bands if _is_needed(b)]
    yield from _noise(run, octaves)


def _lift_from(run: RunAnalysis) -> str:
    """How lift could be had."""
    if any(channel.measures == "bridge" for channel in run.run.channels):
        return (
            "name the file that makes loads of the bridges: [balance] with file, in campaign.toml"
        )
    return "log lift, or what it follows from"


def _damage(run: RunAnalysis) -> Iterator[_Lack]:
    """Errors found in a channel behind lift or pitch moment, or in the run as a whole."""
    rows = [q.fluctuation_row for q in run.signal.quantities if q.measures in NEEDED]
    behind = [c for i, c in enumerate(run.run.channels) if any(row[i] for row in rows)]
    told = [
        one
        for one in run.findings
        if one.severity == "error"
        and (one.channel is None or any(c.rests_on({one.channel}) for c in behind))
    ]
    if told:
        names = [one.code + (f" in {one.channel}" if one.channel else "") for one in told]
        yield _Lack(f"errors: {', '.join(names)}", "mend what is found, or repeat it", fatal=True)


def _band(run: RunAnalysis) -> Iterator[_Lack]:
    """What resolution, sensors, filter and balance leave of the road band that is needed."""
    words = [word for word in (*NEEDED, "drag") if run.signal.measured(word) is not None]
    band = RoadBand.of([run], words, np.array([JUDGED_SPEED_M_S]))
    low, high = (float(end[0]) for end in band.union_hz)
    if low <= NEEDED_FROM_HZ and high >= NEEDED_HZ:
        return
    yield _Lack(
        f"it reaches from {low:.2g} to {high:.3g} road Hz of {NEEDED_FROM_HZ:g} to {NEEDED_HZ:g}",
        "use a stiffer balance, a higher filter, longer records or another wind speed",
        fatal=not (low < NEEDED_HZ and high > NEEDED_FROM_HZ),
    )


def _noise(run: RunAnalysis, octaves: list[BandRms]) -> Iterator[_Lack]:
    """Of the lift in the octaves needed, as far as they can be used."""
    if not run.noise:
        yield _Lack(
            "no wind-off run is named whose noise can be taken out: how much of it is noise is "
            "not known",
            "log the same channels with the wind off, and name that run in zero_before",
        )
        return
    drowned = [b for b in octaves if _is_drowned(b)]
    if drowned:
        yield _Lack(
            f"the noise is larger than the lift in {_named(drowned)}",
            "use a more sensitive balance, a higher wind speed or a less noisy amplifier",
            fatal=len(drowned) == len(octaves),
        )
    unsure = [b for b in octaves if b not in drowned and _scatter(b) > MOST_NOISE_SCATTER]
    if unsure:
        yield _Lack(
            f"the wind-off record is too short to know the noise: its scatter is "
            f"{max(map(_scatter, unsure)):.0%} of the lift's variance in {_named(unsure)}",
            "log the wind-off run for longer",
        )


def _is_needed(band: BandRms) -> bool:
    """Whether an octave that can be used lies in the band; its noise is known."""
    if band.road_low_hz is None or band.road_high_hz is None or band.why == BEYOND:
        return False
    slack = 1 + 1e-6
    return band.road_low_hz * slack >= NEEDED_FROM_HZ and band.road_high_hz <= NEEDED_HZ * slack


def _is_drowned(band: BandRms) -> bool:
    level = band.noise.decibels
    if level is None:
        return band.noise.why == ONLY_NOISE
    return level.value < LEAST_DECIBELS


def _scatter(band: BandRms) -> float:
    return band.noise.noise_scatter or 0.0


def _named(bands: list[BandRms]) -> str:
    """ "1 to 4 and 8 to 16 road Hz"; neighbours joined."""
    spans: list[list[float]] = []
    for band in bands:
        low, high = band.road_low_hz or 0.0, band.road_high_hz or 0.0
        if spans and abs(spans[-1][1] / low - 1) < 1e-6:
            spans[-1][1] = high
        else:
            spans.append([low, high])
    return " and ".join(f"{low:.3g} to {high:.3g}" for low, high in spans) + " road Hz"
