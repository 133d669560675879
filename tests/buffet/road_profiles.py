"""Profiles with a known spectrum, and files of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def gaussian_profile(
    unevenness_m3: float, waviness: float, step_m: float, n: int, seed: int
) -> Array:
    """Heights of ISO 8608's form, (n,), without waves longer than ten times the profile."""
    whole = 10 * n
    wavenumber = np.fft.rfftfreq(whole, step_m)[1:]
    density = unevenness_m3 * (wavenumber / 0.1) ** -waviness
    noise = np.random.default_rng(seed).standard_normal((2, len(wavenumber)))
    line = noise * np.sqrt(density * whole / step_m / 4)
    return np.fft.irfft(np.concatenate([[0], line[0] + 1j * line[1]]), whole)[:n]


def write_profile(path: Path, step_m: float, **heights_m: Array) -> Path:
    """A CSV of distance and of each track's height, mm."""
    (first, *_) = heights_m.values()
    columns = [step_m * np.arange(len(first)), *(1000 * one for one in heights_m.values())]
    header = ",".join(["distance (m)", *(f"{name} (mm)" for name in heights_m)])
    rows = "\n".join(",".join(f"{x:.6g}" for x in row) for row in np.stack(columns, 1))
    path.write_text(f"{header}\n{rows}\n", encoding="utf-8")
    return path
