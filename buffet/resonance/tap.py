"""Modes of every channel from the decays after strikes, strike by strike as they pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import exp, log
from statistics import median

from buffet.resonance.combining import combined
from buffet.resonance.decay import DampedMode
from buffet.resonance.one_decay import OneDecay, Unusable, one_decay
from buffet.resonance.result import AmplitudeChange, ChannelResonance, DecayDrawing, LeftOut, Mode
from buffet.resonance.strikes import Strike
from ingest import Channel

# Modes of two strikes are one mode within its half-power band, or within this (engineering
# judgement: a mount that is struck harder rings a little lower).
SAME_MODE = 0.01
# Of the energy and of the strikes: less is not told of a mode beside the strongest.
TOLD_SHARE, TOLD_STRIKES = 0.02, 0.5
# Level of the intervals by which a change with amplitude is told: many channels are looked at.
CHANGE_LEVEL = 0.99
NOT_STRUCK = "no strike shows in this channel"


@dataclass
class _OneChannel:
    channel: Channel
    index: int
    decays: list[OneDecay] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    drawing: DecayDrawing | None = None  # of the largest decay
    largest: float = 0.0

    def take(self, strike_s: float, found: OneDecay | Unusable) -> None:
        """Keep what one strike says, or why it says nothing."""
        if isinstance(found, Unusable):
            self.left_out.append(LeftOut(strike_s, found.why))
            return
        if found.amplitude > self.largest:
            self.largest, self.drawing = found.amplitude, found.drawing
        self.decays.append(replace(found, drawing=None))


class TapTest:
    """Takes strikes, keeps what their fits say, and combines it."""

    def __init__(self, channels: Sequence[Channel], rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self._channels = [_OneChannel(channel, i) for i, channel in enumerate(channels)]
        self.strikes_s: list[float] = []

    def add(self, strike: Strike) -> None:
        """Fit every channel that the strike shows in; `strike` may be forgotten then."""
        self.strikes_s.append(strike.time_s)
        found = {
            one.index: one_decay(strike, one.index, one.channel, self.rate_hz)
            for one in self._channels
            if strike.struck[one.index]
        }
        twice = [f for f in found.values() if isinstance(f, Unusable) and f.in_all]
        for index, one_found in found.items():
            self._channels[index].take(strike.time_s, twice[0] if twice else one_found)

    def results(self) -> tuple[ChannelResonance, ...]:
        """Every channel's modes."""
        return tuple(map(_result, self._channels))


def _result(one: _OneChannel) -> ChannelResonance:
    left_out = tuple(one.left_out)
    if not one.decays:
        reasons = Counter(strike.why for strike in left_out)
        why = "; ".join(f"{why} ({n} strike{'s'[: n > 1]})" for why, n in reasons.items())
        return ChannelResonance(one.channel, "tap", (), why or NOT_STRUCK, left_out=left_out)
    tracks = _tracks(one.decays)
    enough = [t for t in tracks if len(t) >= TOLD_STRIKES * len(one.decays)] or tracks[:1]
    strongest = enough[0]
    told = [track for track in enough if _share(track, one.decays) >= TOLD_SHARE]
    modes = tuple(_mode(track, one.decays) for track in told or [strongest])
    used = {decay.strike_s for decay, _ in strongest}
    lost = [
        LeftOut(
            decay.strike_s,
            f"does not show the mode at {modes[0].natural_frequency_hz.value:.4g} Hz",
        )
        for decay in one.decays
        if decay.strike_s not in used
    ]
    first = [decay for decay, position in strongest if position == 0]  # where it is the strongest
    decrements = [decay.decrement for decay in first if decay.decrement is not None]
    return ChannelResonance(
        one.channel,
        "tap",
        modes,
        "",
        len(used),
        tuple(sorted((*left_out, *lost), key=lambda strike: strike.time_s)),
        median(decay.explained for decay, _ in strongest),
        median(decrements) if decrements else None,
        _change(first),
        drawing=one.drawing,
    )


Track = list[tuple[OneDecay, int]]  # a decay, and which of its modes


def _tracks(decays: Sequence[OneDecay]) -> list[Track]:
    """Modes followed over the strikes, by their energy in all of them, strongest first."""
    every = [(decay, i) for decay in decays for i in range(len(decay.modes))]
    left = sorted(every, key=lambda pair: -pair[0].energies[pair[1]])
    tracks = []
    while left:
        reference = _of(left[0])
        track: Track = []
        for decay in decays:
            near = [p for p in left if p[0] is decay and _is_same(_of(p), reference)]
            track += near[:1]
        taken = {(id(decay), i) for decay, i in track}
        left = [pair for pair in left if (id(pair[0]), pair[1]) not in taken]
        tracks.append(track)
    return sorted(tracks, key=lambda track: -_share(track, decays))


def _of(pair: tuple[OneDecay, int]) -> DampedMode:
    return pair[0].modes[pair[1]]


def _is_same(one: DampedMode, other: DampedMode) -> bool:
    return abs(log(one.natural_hz / other.natural_hz)) <= max(SAME_MODE, other.damping)


def _share(track: Track, decays: Sequence[OneDecay]) -> float:
    """Of the decays' energy, mean over the strikes."""
    return sum(decay.energies[i] for decay, i in track) / len(decays)


def _mode(track: Track, decays: Sequence[OneDecay]) -> Mode:
    modes = [_of(pair) for pair in track]
    return Mode(
        combined([m.natural_hz for m in modes], [m.log_frequency_error for m in modes]),
        combined([m.damping for m in modes], [m.log_damping_error for m in modes]),
        _share(track, decays),
        len(track),
    )


def _change(decays: Sequence[OneDecay]) -> AmplitudeChange | None:
    halves = [decay.halves for decay in decays if decay.halves is not None]
    if not halves:
        return None
    frequency = combined(
        [exp(h.log_frequency) for h in halves], [h.frequency_error for h in halves], CHANGE_LEVEL
    )
    damping = combined(
        [exp(h.log_damping) for h in halves], [h.damping_error for h in halves], CHANGE_LEVEL
    )
    return AmplitudeChange(frequency, damping)
