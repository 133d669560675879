"""Coefficients over time, synthesised in the frequency domain from the stated truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buffet.demo.spectra import FloatArray, TwoState
from buffet.demo.truth import COMPONENTS, FAN_LINE, MODEL, Configuration, Source

# A filter applied by Fourier transform joins the end of a record to its beginning. Half as much
# again is made and the middle kept: the longest memory of a filter, a shedding peak at the lowest
# speed, rings for 0.2 s, far less than the margin of a quarter of the record at each end.
LENGTH_MADE_OVER_LENGTH_KEPT = 1.5


@dataclass(frozen=True)
class Span:
    """The samples that are made, and the middle of them that is kept."""

    n_made: int
    n_kept: int
    rate_hz: float

    @classmethod
    def around(cls, n_kept: int, rate_hz: float) -> Span:
        """The span that keeps n_kept samples."""
        margin = int(np.ceil(n_kept * (LENGTH_MADE_OVER_LENGTH_KEPT - 1.0) / 2.0))
        return cls(n_kept + 2 * margin, n_kept, rate_hz)

    @property
    def kept(self) -> slice:
        """The samples in the middle."""
        margin = (self.n_made - self.n_kept) // 2
        return slice(margin, margin + self.n_kept)

    @property
    def time_s(self) -> FloatArray:
        """Time of every sample made, 0 at the first one."""
        return np.arange(self.n_made) / self.rate_hz

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies of the Fourier transform of the samples made."""
        return np.asarray(np.fft.rfftfreq(self.n_made, 1.0 / self.rate_hz), dtype=np.float64)


@dataclass(frozen=True)
class StateHistory:
    """Which of two states the wake is in: one value a sample made."""

    states: TwoState
    second: FloatArray  # 0 or 1

    @property
    def level(self) -> FloatArray:
        """The switching signal itself: mean 0, variance 1."""
        low, high = self.states.levels
        return low + (high - low) * self.second

    @property
    def amplitude(self) -> FloatArray:
        """Factor on the noise that drives a modulated source: mean square 1."""
        low, high = self.states.amplitudes
        return low + (high - low) * self.second


@dataclass(frozen=True)
class Wake:
    """Fluctuating coefficients of one run, margins included."""

    span: Span
    fluctuation: FloatArray  # (n_components, n_made); zero mean in expectation
    history: StateHistory | None

    @property
    def kept(self) -> FloatArray:
        """Fluctuation over the time that is logged, (n_components, n_kept)."""
        return self.fluctuation[:, self.span.kept]

    @property
    def state_changes(self) -> int | None:
        """Changes of state over the time that is logged."""
        if self.history is None:
            return None
        return int(np.count_nonzero(np.diff(self.history.second[self.span.kept])))


def state_history(
    states: TwoState, advection_hz: float, span: Span, rng: np.random.Generator
) -> StateHistory:
    """Draw exponential dwell times one after the other, starting in equilibrium."""
    means_s = states.dwell_s(advection_hz)
    first = state = int(rng.random() < states.shares[1])
    changes_s, now_s = [], 0.0
    while now_s < span.n_made / span.rate_hz:
        now_s += rng.exponential(means_s[state])
        changes_s.append(now_s)
        state = 1 - state
    changes_so_far = np.searchsorted(changes_s, span.time_s, side="right")
    return StateHistory(states, ((first + changes_so_far) % 2).astype(np.float64))


def unit_signal(
    source: Source,
    advection_hz: float,
    span: Span,
    history: StateHistory | None,
    rng: np.random.Generator,
) -> FloatArray:
    """One realisation of a source, (n_made,), variance 1 in expectation.

    A modulated source has its driving noise scaled by the amplitude of the state. Such noise is
    still white with mean square 1, so the stated PSD holds exactly, and the peak follows a change
    of state with its own ringing time.

    Raises
    ------
    ValueError
        If the source has two states and their history is not given.
    """
    if isinstance(source.shape, TwoState):
        if history is None:
            raise ValueError(f"source {source.part!r} has two states: it needs their history")
        return history.level
    drive = rng.standard_normal(span.n_made) * np.sqrt(span.rate_hz / 2.0)  # PSD 1 per Hz
    if source.modulated and history is not None:
        drive *= history.amplitude
    response = source.shape.filter(span.frequency_hz, advection_hz)
    return np.fft.irfft(np.fft.rfft(drive) * response, span.n_made)


def fan_line(speed_m_s: float, span: Span, rng: np.random.Generator) -> FloatArray:
    """The fan's line in every component, (n_components, n_made), at a phase drawn once."""
    angle = 2.0 * np.pi * (FAN_LINE.frequency_hz(speed_m_s) * span.time_s + rng.random())
    rms = np.array([FAN_LINE.rms.get(component, 0.0) for component in COMPONENTS])
    return np.outer(rms, np.sqrt(2.0) * np.cos(angle))


def synthesise(
    configuration: Configuration, speed_m_s: float, span: Span, rng: np.random.Generator
) -> Wake:
    """One realisation of a configuration's wake, fan line not included."""
    advection_hz = MODEL.advection_hz(speed_m_s)
    states = configuration.switching
    history = None if states is None else state_history(states, advection_hz, span, rng)
    fluctuation = np.zeros((len(COMPONENTS), span.n_made))
    for source in configuration.sources:
        for rms in source.drivers():
            signal = unit_signal(source, advection_hz, span, history, rng)
            for component, value in rms.items():
                fluctuation[COMPONENTS.index(component)] += value * signal
    return Wake(span, fluctuation, history)
