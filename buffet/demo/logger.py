"""What stands between the flow and the file: balance, sensors, filter, zeros, counts."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from buffet.demo.schedule import PlannedRun, hours_since_start
from buffet.demo.spectra import ComplexArray, FloatArray
from buffet.demo.truth import (
    CONFIGURATIONS,
    DRAG,
    FRONT_LIFT,
    MODEL,
    REAR_LIFT,
    SIDE_FORCE,
    TAP_LEFT,
    TAP_RIGHT,
    YAW_MOMENT,
)
from buffet.demo.wake import Span, Wake, fan_line, synthesise

Counts = NDArray[np.int64]

FULL_SCALE_COUNTS = 32767  # 16 bits with sign
ANTIALIAS_CUTOFF_HZ = 200.0
ANTIALIAS_ORDER = 8  # Butterworth: flat to 0.1 % up to 0.68 of the cutoff
MAINS_HZ = 50.0
LIFT_RESONANCE_HZ, LIFT_DAMPING = 100.0, 0.02  # of the balance, front and rear alike
WARM_UP_HOURS = 3.0  # time constant of the zeros' temperature drift


@dataclass(frozen=True)
class LoggerChannel:
    """One column of the logger and the faults of its sensor, in counts unless said otherwise."""

    column: str
    name: str  # a component of the truth
    measures: str
    gain: float  # unit of the sensor per count
    gain_unit: str
    zero: float  # when the day begins
    warm_up: float  # what the zero still gains while the sensor warms up
    noise: float  # RMS of white sensor noise before the anti-alias filter
    hum: float  # RMS at the mains frequency
    refit: tuple[float, ...]  # step of the zero with each configuration: its weight, its bolts
    natural_frequency_hz: float | None = None
    damping: float | None = None
    at_m: tuple[float, float, float] | None = None

    def zero_counts(self, configuration: str, hours: FloatArray | float) -> FloatArray | float:
        """Zero at a time of the day, for the configuration fitted."""
        names = [fitted.name for fitted in CONFIGURATIONS]
        warmed = self.warm_up * (1.0 - np.exp(-np.asarray(hours) / WARM_UP_HOURS))
        return self.zero + self.refit[names.index(configuration)] + warmed

    def reference(self, dynamic_pressure_pa: float) -> float:
        """What a coefficient of 1 is in this channel's unit: qA, qA times wheelbase, or q."""
        if self.measures == "pressure":
            return dynamic_pressure_pa
        force_n = dynamic_pressure_pa * MODEL.frontal_area_m2
        return force_n * MODEL.wheelbase_m if self.measures.endswith("moment") else force_n

    def balance_response(self, frequency_hz: FloatArray) -> ComplexArray:
        """H = 1/(1 − r² + 2iζr), r = f/f_n: spring force of a single degree of freedom, exact."""
        if self.natural_frequency_hz is None or self.damping is None:
            return np.ones(frequency_hz.shape, dtype=np.complex128)
        ratio = frequency_hz / self.natural_frequency_hz
        return np.asarray(1.0 / (1.0 - ratio**2 + 2j * self.damping * ratio))


_RIG = (LIFT_RESONANCE_HZ, LIFT_DAMPING)
CHANNELS = (
    LoggerChannel("fx", DRAG, DRAG, 0.05, "N", -85, 14, 2.0, 1.5, (0, 6, 21, 9)),
    LoggerChannel(
        "fz_front", FRONT_LIFT, FRONT_LIFT, 0.05, "N", 143, -22, 2.0, 2.5, (0, 9, 38, -5), *_RIG
    ),
    LoggerChannel(
        "fz_rear", REAR_LIFT, REAR_LIFT, 0.05, "N", -212, 31, 2.0, 2.5, (0, -118, -265, -64), *_RIG
    ),
    LoggerChannel("fy", SIDE_FORCE, SIDE_FORCE, 0.05, "N", 37, -9, 2.0, 1.5, (0, -4, 7, 3)),
    LoggerChannel("mz", YAW_MOMENT, YAW_MOMENT, 0.01, "N m", 18, 6, 2.0, 1.0, (0, 3, -5, 2)),
    LoggerChannel(
        *("p01", TAP_LEFT, "pressure", 0.5, "Pa", 51, -12, 1.5, 2.0, (0, 0, 0, 0)),
        at_m=(0.58, -0.20, 0.30),
    ),
    LoggerChannel(
        *("p02", TAP_RIGHT, "pressure", 0.5, "Pa", -64, 16, 1.5, 2.0, (0, 0, 0, 0)),
        at_m=(0.58, 0.20, 0.30),
    ),
)


@dataclass(frozen=True)
class MadeRun:
    """A run as logged, and the flow that is known only here."""

    plan: PlannedRun
    counts: Counts  # (n_samples, n_channels)
    wake: Wake | None  # None without wind


def antialias_response(frequency_hz: FloatArray) -> FloatArray:
    """Magnitude of a Butterworth low-pass; its phase, alike in all channels, is left out."""
    return np.asarray((1.0 + (frequency_hz / ANTIALIAS_CUTOFF_HZ) ** (2 * ANTIALIAS_ORDER)) ** -0.5)


def make_run(plan: PlannedRun, sample_rate_hz: float, seed: int) -> MadeRun:
    """Synthesise a run and log it; each run has its own random stream, so order is no matter."""
    rng = np.random.default_rng([seed, int(plan.number)])
    span = Span.around(round(plan.duration_s * sample_rate_hz), sample_rate_hz)
    wake, coefficients = None, np.zeros((len(CHANNELS), span.n_made))
    if plan.wind_on:
        wake = synthesise(plan.configuration, plan.air.speed_m_s, span, rng)
        coefficients = plan.fluctuation_factor * wake.fluctuation
        coefficients += np.array(plan.mean)[:, np.newaxis]
        coefficients += fan_line(plan.air.speed_m_s, span, rng)
    logged = [
        _log(channel, row, plan, span, rng)
        for channel, row in zip(CHANNELS, coefficients, strict=True)
    ]
    return MadeRun(plan, np.stack(logged, axis=1), wake)


def _log(
    channel: LoggerChannel,
    coefficient: FloatArray,
    plan: PlannedRun,
    span: Span,
    rng: np.random.Generator,
) -> Counts:
    """Counts of one channel over the samples kept, (n_kept,)."""
    frequency_hz = span.frequency_hz
    to_counts = channel.reference(plan.air.dynamic_pressure_pa) / channel.gain
    force = np.fft.rfft(coefficient * to_counts) * channel.balance_response(frequency_hz)
    hum_angle = 2.0 * np.pi * (MAINS_HZ * span.time_s + rng.random())
    sensor = channel.hum * np.sqrt(2.0) * np.cos(hum_angle)
    sensor += channel.noise * rng.standard_normal(span.n_made)
    spectrum = (force + np.fft.rfft(sensor)) * antialias_response(frequency_hz)
    signal = np.fft.irfft(spectrum, span.n_made)[span.kept]
    hours = hours_since_start(plan.started) + np.arange(span.n_kept) / span.rate_hz / 3600.0
    signal += channel.zero_counts(plan.configuration.name, hours)
    return np.clip(np.rint(signal), -FULL_SCALE_COUNTS - 1, FULL_SCALE_COUNTS).astype(np.int64)


def write_recording(path: Path, run: MadeRun) -> None:
    """Write the counts as the logger does: preamble, names, units, one row a sample, gzip.

    The gzip header carries neither time nor name, so that equal counts give equal bytes.
    """
    preamble = (
        "16-bit data logger",
        f"Run {run.plan.number}",
        f"Started {_clock(run.plan.started)} UTC",
    )
    names = ";".join(channel.column for channel in CHANNELS)
    units = ";".join("count" for _ in CHANNELS)
    rows = (";".join(map(str, row)) for row in run.counts.tolist())
    text = "\n".join((*preamble, names, units, *rows, ""))
    path.write_bytes(gzip.compress(text.encode("ascii"), compresslevel=9, mtime=0))


def _clock(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S")
