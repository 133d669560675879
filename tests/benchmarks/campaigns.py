"""Campaigns of any length, number of channels and of runs: sheets, and recordings of counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from scipy import signal

DEMO = Path(__file__).parents[2] / "demo_runs"
FORCES = ("drag", "side force", "lift", "roll moment", "pitch moment", "yaw moment")
CONFIGURATIONS = ("bare tailgate", "spoiler", "wing", "fence")
SPEED_M_S, STROUHAL_LENGTH_M, STROUHAL, QUALITY = 40.0, 0.435, 0.2, 6.0
NATURAL_HZ = STROUHAL * SPEED_M_S / STROUHAL_LENGTH_M
ANTIALIAS_SHARE = 0.12  # of the rate: leaves forces and taps 400 Hz of 5 kHz
BLOCK_SAMPLES = 1 << 16
CAMPAIGN = f"""format = 1
[campaign]
title = "benchmark"
baseline = "bare tailgate"
[model]
scale = 0.3
frontal_area = "0.194 m^2"
wheelbase = "0.775 m"
strouhal_length = "{STROUHAL_LENGTH_M} m"
strouhal_length_is = "body height"
"""


@dataclass(frozen=True)
class Size:
    """Of a campaign whose runs are all alike."""

    channels: int = 32
    duration_s: float = 600.0
    rate_hz: float = 1000.0
    runs: int = 1

    @property
    def bytes(self) -> float:
        """Of its recordings, two a sample."""
        return 2 * self.channels * self.duration_s * self.rate_hz * self.runs


def write_campaign(folder: Path, size: Size) -> Path:
    """Shedding in noise on forces and taps, as counts in HDF5."""
    folder.mkdir(exist_ok=True)
    names = [f"{run:04d}" for run in range(size.runs)]
    for run, name in enumerate(names):
        _write_recording(folder / f"{name}.h5", size, seed=run)
    recordings = [f"{name}.h5" for name in names]
    write_sheets(folder, recordings, range(size.channels), size.rate_hz)
    return folder


def _write_recording(path: Path, size: Size, seed: int) -> None:
    """Block by block: each channel's own noise, and shedding in all of them."""
    n = round(size.duration_s * size.rate_hz)
    rng = np.random.default_rng(seed)
    resonance, state = _resonance(size.rate_hz), np.zeros(2)
    with h5py.File(path, "w") as file:
        counts = file.create_dataset("counts", (n, size.channels), np.int16)
        for start in range(0, n, BLOCK_SAMPLES):
            count = min(BLOCK_SAMPLES, n - start)
            shed, state = signal.lfilter(*resonance, rng.standard_normal(count), zi=state)
            noise = rng.standard_normal((count, size.channels), np.float32)
            noise += shed[:, None].astype(np.float32)
            counts[start : start + count] = noise * 300


def _resonance(rate_hz: float) -> tuple[list[float], list[float]]:
    """What makes white noise that of an oscillator, of the same variance.

    Two poles; their variance: Box & Jenkins 1970, Time Series Analysis, section 3.2, from memory.
    """
    bandwidth_hz = NATURAL_HZ / QUALITY
    turning_hz = np.sqrt(NATURAL_HZ**2 - bandwidth_hz**2 / 4)
    radius = np.exp(-np.pi * bandwidth_hz / rate_hz)
    one, two = -2 * radius * np.cos(2 * np.pi * turning_hz / rate_hz), radius**2
    variance = (1 + two) / ((1 - two) * ((1 + two) ** 2 - one**2))
    return [1 / np.sqrt(variance)], [1.0, one, two]


def write_sheets(
    folder: Path, recordings: str | Sequence[str], columns: Sequence[str | int], rate_hz: float
) -> None:
    """A campaign of one run a recording."""
    (folder / "campaign.toml").write_text(CAMPAIGN, encoding="utf-8")
    (folder / "runs").mkdir()
    channels = "".join(_channel(i, column) for i, column in enumerate(columns))
    for run, recording in enumerate([recordings] if isinstance(recordings, str) else recordings):
        head = (
            f'format = 1\n[run]\nnumber = "{run + 1}"\nkind = "wind-on"\n'
            f'configuration = "{CONFIGURATIONS[run % len(CONFIGURATIONS)]}"\n'
            f'recording = "../{recording}"\n[air]\nspeed = "{SPEED_M_S} m/s"\n[sampling]\n'
            f'rate = "{rate_hz} Hz"\nantialias_cutoff = "{ANTIALIAS_SHARE * rate_hz} Hz"\n'
        )
        (folder / "runs" / f"{run + 1:04d}.toml").write_text(head + channels, encoding="utf-8")


def _channel(index: int, column: str | int) -> str:
    """Forces and moments, then taps in a row along the roof."""
    text = f"[[channel]]\ncolumn = {column if isinstance(column, int) else repr(column)}\n"
    if index < len(FORCES):
        unit = "N m" if "moment" in FORCES[index] else "N"
        return f'{text}name = "{FORCES[index]}"\nmeasures = "{FORCES[index]}"\nunit = "{unit}"\n'
    place = f'at = ["{0.02 * index:.2f} m", "0 m", "0.4 m"]\nrow = "roof"\n'
    return f'{text}name = "tap {index}"\nmeasures = "pressure"\nunit = "Pa"\n{place}'
