"""Which peak is the wake's own: harmonics grouped over all channels, the fundamental named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from buffet.interval import Interval
from buffet.spectral.peaks import Peak

# What a wake moves first: shedding over roof and tailgate shows in lift, a wake that swings
# from side to side in side force and yaw (a car is symmetric left to right only).
VERTICAL = ("lift", "rear lift", "front lift", "pitch moment", "drag")
LATERAL = ("side force", "rear side force", "front side force", "yaw moment", "roll moment")
# Two frequencies count as harmonics of one another within this, or within their intervals.
HARMONIC_TOLERANCE = 0.03
HIGHEST_HARMONIC = 4
# A peak with less of its component's variance does not speak for the wake.
WEAK_SHARE = 0.05
# With less than this nothing does: of a hundredth of the fluctuation no wake is made.
LEAST_SHARE = 0.01
MOST_NAMED = 4  # channels in a sentence
# Wider than this a hump is a wake that meanders or switches, not one that sheds.
LOWEST_SHEDDING_Q = 2.0
# A line is the wake's own only where it carries most of the fluctuation: the periodic wake of
# a smooth body at low Reynolds number. Fan and mains lines carry little.
LINE_SHARE = 0.5


@dataclass(frozen=True)
class NamedPeaks:
    """Peaks of one channel with what it measures and its RMS."""

    name: str
    measures: str
    rms: float  # of the whole channel, same unit as the peaks'
    peaks: tuple[Peak, ...]
    not_flow: tuple[Peak, ...] = ()  # of the rig, the mains or what turns: set aside


@dataclass(frozen=True)
class Fundamental:
    """The wake's fundamental frequency, where it was seen, and why it was chosen."""

    frequency_hz: Interval
    bandwidth_hz: Interval
    channel: str
    why: str


def name_fundamental(channels: Sequence[NamedPeaks]) -> tuple[Fundamental | None, str]:
    """The run's shedding frequency, or None, and the reason in one sentence."""
    candidates = [
        (peak, channel)
        for channel in _in_order(channels)
        for peak in channel.peaks
        if _may_be_shedding(peak, channel)
    ]
    broad = [c for c in candidates if c[0].kind != "line" and _share(*c) >= WEAK_SHARE]
    if broad:  # beside a wake that sheds, a line is a machine's
        candidates = [c for c in candidates if c[0].kind != "line"]
    if not candidates:
        return None, _nothing_named(channels)
    if all(_share(*candidate) < LEAST_SHARE for candidate in candidates):
        return None, f"every broad peak holds less than {LEAST_SHARE:.0%} of its channel's variance"
    strongest, channel = _strongest(candidates)
    share = _share(strongest, channel)
    why = f"the strongest peak of {channel.name} ({share:.0%} of its variance)"
    if stronger := [p for p in channel.not_flow if p.rms.value > strongest.rms.value]:
        why += f" beside that at {stronger[0].frequency_hz.value:.1f} Hz, which is not the flow's"
    lower = _at_half(strongest, candidates)
    if lower is not None:
        peak, other = lower
        why = (
            f"{other.name} has a peak at half the frequency of {channel.name}'s strongest, "
            f"which is its second harmonic"
        )
        return Fundamental(peak.frequency_hz, peak.bandwidth_hz, other.name, why), why
    doubled = [other.name for other in channels if _has(other, 2 * strongest.frequency_hz.value)]
    if doubled:
        why += f"; {_listed(doubled)} twice this frequency"
    if channel.measures == "drag":
        why += "; no lift or side force was measured, so the wake may shed at half of it"
    fundamental = Fundamental(strongest.frequency_hz, strongest.bandwidth_hz, channel.name, why)
    return fundamental, why


def _nothing_named(channels: Sequence[NamedPeaks]) -> str:
    if any(channel.not_flow for channel in channels):
        return "every peak that was found is the rig's, the mains' or of what turns in the tunnel"
    return "no peak that was looked for rises above its background"


def _listed(names: Sequence[str]) -> str:
    """A few names, the number of the others, and a verb."""
    if len(names) == 1:
        return f"{names[0]} shows"
    shown = names if len(names) <= MOST_NAMED else names[: MOST_NAMED - 1]
    last = shown[-1] if len(shown) == len(names) else f"{len(names) - len(shown)} others"
    return f"{', '.join(shown if last not in shown else shown[:-1])} and {last} show"


def unmarked(peak: Peak) -> Peak:
    """The peak as it was found, a line or broad; a line has no width of its own."""
    return replace(peak, kind="broad" if peak.bandwidth_hz.value > 0 else "line")


def mark_harmonics(peaks: Sequence[Peak], fundamental_hz: float) -> tuple[Peak, ...]:
    """The same peaks, those at whole multiples of the fundamental marked as harmonics."""
    marked = []
    for peak in peaks:
        order = round(peak.frequency_hz.value / fundamental_hz)
        is_harmonic = 2 <= order <= HIGHEST_HARMONIC and _agrees(peak, order * fundamental_hz)
        marked.append(replace(peak, kind="harmonic") if is_harmonic else peak)
    return tuple(marked)


def _strongest(candidates: Sequence[tuple[Peak, NamedPeaks]]) -> tuple[Peak, NamedPeaks]:
    """The strongest peak of the first component, or of any where that one's is weak."""
    first_word = candidates[0][1].measures
    same = [(peak, channel) for peak, channel in candidates if channel.measures == first_word]
    best = max(same, key=lambda pair: _share(*pair))
    if _share(*best) >= WEAK_SHARE:
        return best
    return max(candidates, key=lambda pair: _share(*pair))


def _may_be_shedding(peak: Peak, channel: NamedPeaks) -> bool:
    if peak.kind == "line":
        return _share(peak, channel) > LINE_SHARE
    return peak.bandwidth_hz.value * LOWEST_SHEDDING_Q < peak.frequency_hz.value


def _in_order(channels: Sequence[NamedPeaks]) -> list[NamedPeaks]:
    """Vertical components before lateral ones before everything else."""
    rank: Mapping[str, int] = {word: i for i, word in enumerate((*VERTICAL, *LATERAL))}
    return sorted(channels, key=lambda channel: rank.get(channel.measures, len(rank)))


def _share(peak: Peak, channel: NamedPeaks) -> float:
    return min(1.0, (peak.rms.value / channel.rms) ** 2) if channel.rms > 0 else 0.0


def _agrees(peak: Peak, frequency_hz: float) -> bool:
    interval = peak.frequency_hz
    low = min(interval.low or interval.value, interval.value * (1 - HARMONIC_TOLERANCE))
    high = max(interval.high or interval.value, interval.value * (1 + HARMONIC_TOLERANCE))
    return low <= frequency_hz <= high


def _has(channel: NamedPeaks, frequency_hz: float) -> bool:
    return any(_agrees(peak, frequency_hz) for peak in channel.peaks)


def _at_half(
    strongest: Peak, candidates: Sequence[tuple[Peak, NamedPeaks]]
) -> tuple[Peak, NamedPeaks] | None:
    """The strongest candidate at half the frequency of the strongest peak."""
    half = strongest.frequency_hz.value / 2
    lower = [c for c in candidates if _agrees(c[0], half) and _share(*c) >= LEAST_SHARE]
    return max(lower, key=lambda pair: _share(*pair)) if lower else None
