"""Planted tap tests and records without wind, of modes whose frequency and damping are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.buffet.campaigns import CAMPAIGN, delimited, write_sheet
from tests.ingest.campaigns import toml
from tests.thorough.records import Resonance, from_density

Array = NDArray[np.float64]

RATE_HZ = 500.0


class Planted(NamedTuple):
    """One mode as one channel shows it."""

    natural_hz: float
    damping: float
    amplitude: float = 1.0


def struck(modes: Sequence[Planted], hits: Sequence[tuple[float, float]], seconds: float) -> Array:
    """Impulse responses of single degrees of freedom, sampled: each hit is a time and a size.

    x(t) = A e^(-ζ ω_n t) sin(ω_d t), ω_d = ω_n √(1 - ζ²), the closed form.
    """
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    total = np.zeros_like(time_s)
    for at_s, size in hits:
        after_s = np.maximum(time_s - at_s, 0.0)
        for mode in modes:
            omega = 2 * np.pi * mode.natural_hz
            damped = omega * np.sqrt(1 - mode.damping**2)
            fall = np.exp(-mode.damping * omega * after_s)
            total += size * mode.amplitude * fall * np.sin(damped * after_s)
    return total


def shaken(modes: Sequence[Planted], floor: float, seconds: float, seed: int) -> Array:
    """Modes under a white force, `amplitude` their RMS, over a white floor of this RMS."""
    peaks = [Resonance(m.natural_hz, 2 * m.damping * m.natural_hz, m.amplitude**2) for m in modes]

    def density(frequency_hz: Array) -> Array:
        white = np.full(frequency_hz.shape, 2 * floor**2 / RATE_HZ)
        return np.asarray(white + sum(peak.density(frequency_hz) for peak in peaks))

    rng = np.random.default_rng(seed)
    return np.asarray(from_density(density, 1, seconds, rng, RATE_HZ)[0])


def noise(size: float, n: int, seed: int) -> Array:
    """White."""
    return size * np.random.default_rng(seed).standard_normal(n)


def tone(frequency_hz: float, amplitude: float, n: int) -> Array:
    """A pure line."""
    return np.asarray(amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(n) / RATE_HZ))


UNITS = {"lift": "N", "pitch moment": "N m", "drag": "N", "bridge": "mV/V", "pressure": "Pa"}


def write_run(
    folder: Path,
    number: str,
    samples: Mapping[str, Array],
    run: Mapping[str, Any] | None = None,
    channel: Mapping[str, Any] | None = None,
) -> Path:
    """Add one wind-off run to a campaign folder, which is made where there is none.

    `run` and `channel` hold further keys of [run] and of every [[channel]].
    """
    (folder / "runs").mkdir(parents=True, exist_ok=True)
    campaign = {**CAMPAIGN, "campaign": {"title": "Rig of a hatchback's model"}}
    (folder / "campaign.toml").write_text(toml(campaign), encoding="utf-8")
    channels = [
        {"column": word, "name": word, "measures": word, "unit": UNITS[word], **(channel or {})}
        for word in samples
    ]
    named = {"number": number, "recording": f"{number}.csv", "kind": "wind-off", **(run or {})}
    sheet = {"format": 1, "run": named, "sampling": {"rate": f"{RATE_HZ:g} Hz"}}
    write_sheet(folder, number, {**sheet, "channel": channels})
    (folder / "runs" / f"{number}.csv").write_text(delimited(samples), encoding="utf-8")
    return folder
