"""What is known of a rig's resonances: modes a channel, with intervals, and what they do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import log, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from buffet.interval import Interval
from buffet.spectral.uncertainty import log_error
from ingest import Channel, Run, percent

Array = NDArray[np.float64]
Kind = Literal["tap", "wind-off"]

# Channels of which a resonance is looked for: what stands on the balance or moves with the model.
ALSO = ("bridge", "acceleration")
# Damping beyond which neither a decay nor a peak is left to be told.
HIGHEST_DAMPING = 0.3
# Of a stated natural frequency: at 0.8 of it, where a correction ends, 1 % changes it by 4 %.
STATED_TOLERANCE = 0.01
# Of a reading's amplitude, for which it is told where they are reached.
AMPLITUDE_ERRORS = (0.05, 0.10)
# Frequencies of two channels that agree to this, or within this many standard errors, are one
# mode's (engineering judgement).
SAME_MODE, SAME_ERRORS = 0.005, 2.5
# Of frequency and damping: what changes less as a decay gets smaller moves nothing that is
# corrected by them (engineering judgement; at 0.8 of it, 0.1 % changes a correction by 0.4 %).
LEAST_CHANGE = {"frequency": 0.001, "damping": 0.05}


@dataclass(frozen=True)
class Mode:
    """One mode of one channel."""

    natural_frequency_hz: Interval
    damping: Interval  # share of critical
    share: float  # of the decays' energy, or of the record's variance
    count: int  # strikes it was seen in; 1 of a wind-off record

    @property
    def log_error(self) -> float:
        """Standard error of the frequency's logarithm."""
        return log_error(self.natural_frequency_hz)


@dataclass(frozen=True)
class LeftOut:
    """A strike that was not used, and why."""

    time_s: float
    why: str


@dataclass(frozen=True)
class AmplitudeChange:
    """Late part of the decays over their early part; the intervals are of 99 %."""

    frequency: Interval
    damping: Interval

    def told(self) -> tuple[str, ...]:
        """What changes beyond chance, and enough to matter, as the decay gets smaller."""
        pairs = (("frequency", self.frequency), ("damping", self.damping))
        return tuple(
            f"{name} {'rises' if ratio.value > 1 else 'falls'} by {percent(abs(ratio.value - 1))}"
            for name, ratio in pairs
            if ratio.low is not None and ratio.high is not None and not ratio.low <= 1 <= ratio.high
            if abs(ratio.value - 1) >= LEAST_CHANGE[name]
        )


@dataclass(frozen=True)
class DecayDrawing:
    """One decay with what was fitted, and both spectra."""

    strike_s: float
    time_s: Array  # (n,), after the start of the fit
    samples: Array
    fitted: Array
    envelope: Array  # of the strongest mode
    frequency_hz: Array  # (n_bins,)
    amplitude: Array  # of the samples' transform
    fitted_amplitude: Array


@dataclass(frozen=True)
class SpectrumDrawing:
    """PSD of a wind-off record with the fitted resonance."""

    frequency_hz: Array  # (n_bins,)
    psd: Array
    resonance: Array  # density of the fitted modes above the rest, zeros where there is none


@dataclass(frozen=True)
class ChannelResonance:
    """Modes of one channel, the strongest first, or why there is none."""

    channel: Channel
    kind: Kind
    modes: tuple[Mode, ...]
    why: str  # empty where there is a mode
    strikes: int = 0  # used
    left_out: tuple[LeftOut, ...] = ()
    explained: float | None = None  # share of the decays' energy, median over the strikes
    decrement: float | None = None  # damping by the logarithmic decrement, the simple check
    change: AmplitudeChange | None = None
    lines: tuple[str, ...] = ()  # what else stands out and is no resonance
    drawing: DecayDrawing | SpectrumDrawing | None = field(default=None, compare=False)

    @property
    def strongest(self) -> Mode | None:
        """The mode to state in the run sheets."""
        return self.modes[0] if self.modes else None

    @property
    def agrees(self) -> bool | None:
        """Whether the sheet's frequency and damping lie in the intervals; None without either."""
        mode, stated = self.strongest, self.channel
        if mode is None or stated.natural_frequency_hz is None:
            return None
        agrees = _holds(mode.natural_frequency_hz, stated.natural_frequency_hz)
        if stated.damping is not None:
            agrees = agrees and _holds(mode.damping, stated.damping)
        return agrees


@dataclass(frozen=True)
class RunResonance:
    """All channels of one record."""

    run: Run
    kind: Kind
    duration_s: float
    strikes_s: tuple[float, ...]  # when the model was struck
    segment_s: float | None  # of a wind-off record's spectra
    channels: tuple[ChannelResonance, ...]

    def reached_hz(self, one: ChannelResonance, amplitude_error: float) -> float | None:
        """Where a channel's uncorrected reading is too large by this share; model scale."""
        if one.strongest is None:
            return None
        mode = one.strongest
        return reached_at_hz(mode.natural_frequency_hz.value, mode.damping.value, amplitude_error)

    def corrected_to_hz(self, one: ChannelResonance) -> float | None:
        """Up to where a stated resonance would be taken out; model scale."""
        if one.strongest is None:
            return None
        share = self.run.bounds.usable_share_of_resonance
        return share * one.strongest.natural_frequency_hz.value

    @property
    def groups(self) -> tuple[tuple[float, tuple[str, ...]], ...]:
        """Frequencies that several channels share, and the channels' names."""
        return shared_modes(self.channels)


def agrees(frequency_hz: Interval, stated_hz: float) -> bool:
    """Whether a natural frequency that was found is the stated one, to all that matters."""
    near = abs(stated_hz / frequency_hz.value - 1) <= STATED_TOLERANCE
    return near or _holds(frequency_hz, stated_hz)


def _holds(interval: Interval, value: float) -> bool:
    low = -np.inf if interval.low is None else interval.low
    high = np.inf if interval.high is None else interval.high
    return bool(low <= value <= high)


def shared_modes(
    channels: Sequence[ChannelResonance],
) -> tuple[tuple[float, tuple[str, ...]], ...]:
    """Modes that show in more than one channel, by frequency."""
    every = [(mode, one.channel.name) for one in channels for mode in one.modes]
    every.sort(key=lambda pair: pair[0].natural_frequency_hz.value)
    groups: list[list[tuple[Mode, str]]] = []
    for mode, name in every:
        if groups and _is_same(groups[-1][0][0], mode):
            groups[-1].append((mode, name))
        else:
            groups.append([(mode, name)])
    return tuple(
        (_mean_hz([mode for mode, _ in group]), tuple(dict.fromkeys(name for _, name in group)))
        for group in groups
        if len({name for _, name in group}) > 1
    )


def _is_same(one: Mode, other: Mode) -> bool:
    apart = abs(log(one.natural_frequency_hz.value / other.natural_frequency_hz.value))
    error = sqrt(one.log_error**2 + other.log_error**2)
    return apart <= max(SAME_MODE, SAME_ERRORS * error)


def best_of_each(
    runs: Sequence[RunResonance],
) -> tuple[tuple[RunResonance, ChannelResonance], ...]:
    """Each channel's run to take the values from: the tap test with most strikes, else the record.

    Among records the one that knows the frequency best.
    """
    best: dict[str, tuple[RunResonance, ChannelResonance]] = {}
    for run in runs:
        for one in run.channels:
            if one.strongest is None:
                continue
            known = best.get(one.channel.name)
            if known is None or _rank(one) > _rank(known[1]):
                best[one.channel.name] = (run, one)
    return tuple(best.values())


def _rank(one: ChannelResonance) -> tuple[int, float]:
    assert one.strongest is not None
    return one.strikes, -one.strongest.log_error


def _mean_hz(modes: Sequence[Mode]) -> float:
    """Weighted by what is known of each."""
    weights = np.array([1 / max(mode.log_error, 1e-9) ** 2 for mode in modes])
    logs = np.log([mode.natural_frequency_hz.value for mode in modes])
    return float(np.exp(np.sum(weights * logs) / np.sum(weights)))


def reached_at_hz(natural_hz: float, damping: float, amplitude_error: float) -> float | None:
    """Lowest frequency at which a reading is too large by this share; None where it never is.

    |H| = 1 / √((1 - r²)² + (2 ζ r)²) = 1 + e, solved for r² (one degree of freedom; Bendat &
    Piersol 2010, Random Data, 4th ed., section 2.4).
    """
    half = 1 - 2 * damping**2
    root = half**2 - 1 + 1 / (1 + amplitude_error) ** 2
    if half <= 0 or root < 0:
        return None
    return natural_hz * sqrt(half - sqrt(root))
