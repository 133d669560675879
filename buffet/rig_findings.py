"""What in a run's RMS values is not flow: lines of mains and machinery, resonances of the rig."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from math import log

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.peak_classes import PeakClass
from buffet.resonance.ambient import peak_damping
from buffet.resonance.combining import combined
from buffet.resonance.result import agrees
from buffet.run_spectra import QuantityResult, RunResult
from buffet.spectral.peaks import Peak
from buffet.spectral.tracks import FIXED, SCALES
from buffet.spectral.uncertainty import log_error
from buffet.spectral.window import LOBE_BINS
from ingest import Finding, Run

Array = NDArray[np.float64]

# Share of a channel's variance from which a peak is told: half a percent of the RMS.
TOLD_SHARE = 0.01
# From which it is a warning: five percent of the RMS (engineering judgement).
WARNING_SHARE = 0.1
# Peaks of several runs that are one resonance's; a mount or another add-on moves it a little.
SAME_RESONANCE = 0.05
RESONANCES = ("unstated-resonance", "resonance-disagrees")
NO_MATTER = 0.003  # relative change of an RMS that nobody needs to hear of

_ADVICE = {
    "mains-line": "shield and ground the cable, and keep it away from power lines",
    "fan-line": "the tunnel's own unsteadiness: a reference probe in the oncoming flow shows how "
    "much of it there is",
    "belt-line": "check the belt's joint and tension; the road has no such line",
    "wheel-line": "balance the wheels, and see that they run true",
    "scaling-line": "state fan_speed, blades and belt_length under [tunnel] and diameter under "
    "[wheels], so that it can be named",
    "fixed-line": "look for what hums or vibrates at this frequency, with the wind off as well",
    "unstated-resonance": "state natural_frequency and damping of this channel, from a tap test, "
    "so that the resonance is taken out",
    "resonance-disagrees": "measure natural_frequency and damping of this channel afresh, by a tap "
    "test: what is stated is taken out at the wrong frequency",
}
_NAMES = {
    "scaling-line": "a line that scales with the wind speed",
    "fixed-line": "a line of fixed frequency",
    "unstated-resonance": "a broad peak of fixed frequency, a resonance nobody stated",
    "resonance-disagrees": "a broad peak of fixed frequency where no resonance is stated",
}


@dataclass(frozen=True)
class RigShare:
    """A peak that is not flow's, and what of a quantity sits in it."""

    run: str
    quantity: str
    measures: str
    code: str  # of its finding
    frequency_hz: float
    kind: PeakClass
    as_logged: float  # share of the variance before wind-off noise is taken out
    share: float  # of the variance of `rms`
    rms: float | None  # wind-off noise taken out
    rms_without: float | None
    peak: Peak
    stated_hz: float | None  # the channel's natural frequency, as its sheet states it


def rig_shares(result: RunResult) -> tuple[RigShare, ...]:
    """Every peak of a run that its class gives to rig, mains or machinery."""
    return tuple(
        _share(result.analysis.run.number, quantity, peak, kind, code, stated)
        for quantity, stated in _with_stated(result)
        for peak, kind in quantity.followed
        if (code := _code(kind, peak, stated)) is not None
    )


def _with_stated(result: RunResult) -> Iterator[tuple[QuantityResult, float | None]]:
    """Each quantity with the natural frequency that its own channel's sheet states."""
    stated = {c.name: c.natural_frequency_hz for c in result.analysis.run.channels}
    for quantity in result.quantities:
        yield quantity, stated.get(quantity.quantity.name)


def _code(kind: PeakClass, peak: Peak, stated_hz: float | None) -> str | None:
    if kind.source is not None:
        return f"{kind.source.kind}-line"
    if kind.name == FIXED and kind.narrow:
        return "fixed-line"
    if kind.name == FIXED:
        there = stated_hz is None or agrees(peak.frequency_hz, stated_hz)
        return "unstated-resonance" if there else "resonance-disagrees"
    return "scaling-line" if kind.name == SCALES and kind.narrow else None


def _share(
    run: str,
    quantity: QuantityResult,
    peak: Peak,
    kind: PeakClass,
    code: str,
    stated_hz: float | None,
) -> RigShare:
    variance = peak.rms.value**2
    left = above_noise(quantity, peak)
    rms = None if quantity.rms is None else quantity.rms.value
    total = (rms or 0.0) ** 2
    logged = total + (quantity.noise_rms or 0.0) ** 2
    return RigShare(
        run,
        quantity.quantity.name,
        quantity.quantity.measures,
        code,
        peak.frequency_hz.value,
        kind,
        min(variance / logged, 1.0) if logged > 0 else 1.0,
        min(left / total, 1.0) if total > 0 else 0.0,
        rms,
        None if rms is None else float(np.sqrt(max(total - left, 0.0))),
        peak,
        stated_hz,
    )


def above_noise(quantity: QuantityResult, peak: Peak) -> float:
    """Variance of a peak that is left when the wind-off noise is taken out."""
    return max(peak.rms.value**2 - _in_noise(quantity, peak), 0.0)


def _in_noise(quantity: QuantityResult, peak: Peak) -> float:
    """Variance of the peak in the wind-off noise, which the RMS does not hold."""
    noise = quantity.noise_psd
    return 0.0 if noise is None else lobe_excess(quantity.frequency_hz, noise, peak)


def lobe_excess(frequency_hz: Array, psd: Array, peak: Peak) -> float:
    """Variance in a peak's lobe, less a background as high as the lower of its two edges.

    Parameters
    ----------
    frequency_hz, psd : (n,), evenly spaced
    """
    step_hz = float(frequency_hz[1] - frequency_hz[0])
    reach = max(LOBE_BINS, round(peak.bandwidth_hz.value / step_hz))
    middle = round((peak.frequency_hz.value - float(frequency_hz[0])) / step_hz)
    lobe = psd[max(middle - reach, 0) : middle + reach + 1]
    if not len(lobe):
        return 0.0
    return float((lobe - min(lobe[0], lobe[-1])).sum() * step_hz)


def rig_findings(results: Sequence[RunResult]) -> tuple[tuple[Finding, ...], ...]:
    """Of each run, a finding for each logged channel and peak that is not flow and holds enough.

    Of runs with wind: what the others hold is noise anyhow. What to state of a resonance follows
    from the peaks of all of them.
    """
    shares = [rig_shares(result) for result in results]
    every = tuple(chain.from_iterable(shares))
    return tuple(
        tuple(_findings(result.analysis.run, own, every))
        for result, own in zip(results, shares, strict=True)
    )


def _findings(run: Run, own: Sequence[RigShare], every: Sequence[RigShare]) -> Iterator[Finding]:
    if run.kind == "wind-off":
        return
    logged = {channel.name for channel in run.channels}
    for one in own:
        if one.quantity in logged and one.as_logged >= TOLD_SHARE:
            advice = _ADVICE[one.code]
            if one.code in RESONANCES:
                advice = f"{advice}; until then, {_to_state(one, every)}"
            yield Finding(
                "warning" if one.share >= WARNING_SHARE else "note",
                one.code,
                run.number,
                one.quantity,
                _message(one),
                advice,
            )


def _to_state(one: RigShare, every: Sequence[RigShare]) -> str:
    """What the peaks of all runs say together of this resonance, as a sheet may state it."""
    alike = [
        other
        for other in every
        if other.quantity == one.quantity
        and other.code == one.code
        and abs(log(other.frequency_hz / one.frequency_hz)) < SAME_RESONANCE
    ]
    frequency = _together([other.peak.frequency_hz for other in alike])
    damping = _together([peak_damping(other.peak) for other in alike])
    runs = len({other.run for other in alike})
    texts = [value.text().rstrip(")").split(" (") for value in (frequency, damping)]
    return (
        f'natural_frequency = "{texts[0][0]} Hz", damping = {texts[1][0]} (95 %: {texts[0][1]} Hz '
        f"and {texts[1][1]}, from the peaks of {runs} run{'s'[: runs > 1]})"
    )


def _together(intervals: Sequence[Interval]) -> Interval:
    return combined([one.value for one in intervals], [log_error(one) for one in intervals])


def rig_name(one: RigShare) -> str:
    """What a peak is that is not flow's, in words."""
    return str(one.kind.source) if one.kind.source else _NAMES[one.code]


def _message(one: RigShare) -> str:
    text = f"{rig_name(one)}: {one.as_logged:.0%} of the variance at {one.frequency_hz:.4g} Hz"
    if one.code == "resonance-disagrees":
        text = f"{text}, and the sheet states {one.stated_hz:.4g} Hz"
    if one.rms is None or one.rms_without is None:
        return text
    if one.rms_without > (1 - NO_MATTER) * one.rms:
        return f"{text} as logged; taking out the wind-off noise clears the RMS of it"
    return f"{text}; the RMS is {one.rms:.3g} with it and {one.rms_without:.3g} without"
