"""A model on a balance, solved in time: spring, mass and damper under a planted force."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import cont2discrete, lfilter

Array = NDArray[np.float64]

RATE_HZ = 500.0
OVERSAMPLING = 16  # the force is taken as linear between steps of 1 / 8000 s
RUN_IN_S = 5.0  # 24 times the 0.2 s in which a free oscillation at 38 Hz, 2 % damped, falls to 1/e
MASS_KG = 60.0


class Balance(NamedTuple):
    """One direction of a rig."""

    natural_frequency_hz: float = 38.0
    damping: float = 0.02


def planted_force(seed: int, seconds: float, rms_n: float, low_hz: float, high_hz: float) -> Array:
    """Gaussian force, flat between two frequencies, at the oversampled rate, with its run-in."""
    n = round((seconds + RUN_IN_S) * RATE_HZ * OVERSAMPLING)
    frequency_hz = np.fft.rfftfreq(n, 1 / (RATE_HZ * OVERSAMPLING))
    inside = (frequency_hz > low_hz) & (frequency_hz < high_hz)
    parts = np.random.default_rng(seed).normal(size=(2, len(inside)))
    line = np.where(inside, parts[0] + 1j * parts[1], 0)
    # Each line of a real signal holds 2 |X|² / n², in expectation 4 / n².
    return np.asarray(rms_n * np.fft.irfft(line, n) * n / np.sqrt(4 * inside.sum()))


def carried(force_n: Array, balance: Balance, mass_kg: float = MASS_KG) -> tuple[Array, Array]:
    """What the balance reads, k z in N, and the model's acceleration in m/s², both as logged.

    m z'' + c z' + k z = F, stepped with the force linear between samples.
    """
    omega = 2 * np.pi * balance.natural_frequency_hz
    stiffness, damping = mass_kg * omega**2, 2 * balance.damping * omega * mass_kg
    motion = [mass_kg, damping, stiffness]
    read = _stepped([stiffness], motion, force_n)
    moved = _stepped([1.0, 0.0, 0.0], motion, force_n)
    return logged(read), logged(moved)


def _stepped(numerator: list[float], denominator: list[float], force_n: Array) -> Array:
    step_s = 1 / (RATE_HZ * OVERSAMPLING)
    top, bottom, _ = cont2discrete((numerator, denominator), step_s, method="foh")
    return np.asarray(lfilter(np.ravel(top), np.ravel(bottom), force_n))


def logged(samples: Array) -> Array:
    """At the logger's rate, after the run-in."""
    return samples[::OVERSAMPLING][round(RUN_IN_S * RATE_HZ) :]
